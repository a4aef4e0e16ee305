//go:build browser

package web

import (
	"context"
	"image"
	"image/color"
	"image/draw"
	"strings"
	"testing"
	"time"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
	"thawtrail/internal/web/words"
)

// onLabel is a code as it is on a label: dark on light, with a light border.
func onLabel(t *testing.T, code barcode.Barcode, err error, width, height int) image.Image {
	t.Helper()
	require.NoError(t, err)
	code, err = barcode.Scale(code, width, height)
	require.NoError(t, err)
	const border = 30
	paper := image.NewGray(image.Rect(0, 0, width+2*border, height+2*border))
	draw.Draw(paper, paper.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(paper, image.Rect(border, border, border+width, border+height), code, image.Point{}, draw.Src)
	return paper
}

// sticker is the one that the program prints for a bag.
func sticker(t *testing.T, bag string) image.Image {
	code, err := qr.Encode(bag, qr.Q, qr.Auto)
	return onLabel(t, code, err, 240, 240)
}

// before is a page in a browser with something in front of its camera.
func (d *laptop) before(camera webtest.Camera, path string) *webtest.Tab {
	ctx := webtest.ChromiumWith(d.t, 2*time.Minute, camera)
	d.enter(ctx)
	tab := webtest.NewTab(d.t, ctx)
	tab.Open(d.server.URL + path)
	return tab
}

// toHang takes a case until a bag is checked before the set goes in.
func (d *laptop) toHang() (id, bag string) {
	id, bag = d.toBags()
	d.toBath(id, bag)
	d.clock.Advance(25 * time.Minute)
	at := "/case/" + id
	d.fill(at+"/thaw", "do", "thawed", "bag_dc", "33")
	d.fill(at+"/baseline", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34")
	d.fill(at + "/rate?plateau=20&drops=15")
	return id, bag
}

// scanned is what a page says of the bag field, and where the focus is.
func scanned(t *testing.T, ctx context.Context) string {
	return js[string](t, ctx, `(() => { const i = document.querySelector("[name=bag]"); return [i.value, i.closest(".field").querySelector(".match").innerText, document.activeElement.name].join("|"); })()`)
}

// wedged types a code as a scanner at the keyboard does, with its Enter.
func wedged(t *testing.T, tab *webtest.Tab, code string) string {
	t.Helper()
	js[any](t, tab.Context(), `document.querySelector("[name=bag]").focus(); null`)
	tab.TypeCode("bag", code)
	enter := chromedp.Func(func(ctx context.Context, page *chromedp.Target) error {
		_, err := cdp.Call(ctx, page, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: "keyDown", Key: "Enter", Code: "Enter", Text: "\r", WindowsVirtualKeyCode: 13})
		return err
	})
	require.NoError(t, chromedp.Do(tab.Context(), enter))
	return scanned(t, tab.Context())
}

// TestABagByCamera reads a sticker with the browser's camera: the bag of the plan is
// found and another one told, and the page goes on, as after the same code typed by a
// scanner. What reads codes comes when the camera is opened, and not before.
func TestABagByCamera(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toHang()
	other := "K0QWV50MA"
	for _, code := range []string{bag, other} {
		tab := d.before(webtest.Camera{Sees: sticker(t, code)}, "/case/"+id+"/hang")
		byWedge := wedged(t, tab, code)
		tab.Open(d.server.URL + "/case/" + id + "/hang")
		require.NotContains(t, scanned(t, tab.Context()), code)
		require.False(t, js[bool](t, tab.Context(), `!!window.ZXing || !!window.thawtrail.scan`))
		tab.Press("Scan with the camera")
		require.Eventually(t, func() bool { return strings.HasPrefix(scanned(t, tab.Context()), code+"|") }, 20*time.Second, 50*time.Millisecond, tab.Text("main"))
		require.Equal(t, byWedge, scanned(t, tab.Context()))
		require.Zero(t, js[int](t, tab.Context(), `document.querySelectorAll("video").length`), "the camera is closed")
		if code == other {
			require.Contains(t, byWedge, "Another bag: the plan says "+words.BagNumber(bag))
			continue
		}
		tab.Tick("patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed", "filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals")
		tab.Type("bag_dc", "33")
		tab.Press("Checked: on to the start")
		tab.Arrives("/start")
	}
}

// TestAMakersCodeByCamera reads the two symbols of makers, with the fields of GS1 in
// them: batch, expiry and the like are where a scanner would have put them.
func TestAMakersCodeByCamera(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	linear, err := code128.Encode(string(code128.FNC1) + "0109312345678907" + "17290430" + "10K77")
	matrix, errOfMatrix := datamatrix.Encode("(01)09312345678907(17)290430(10)K77")
	for name, seen := range map[string]image.Image{
		"Code 128": onLabel(t, linear, err, 2*linear.Bounds().Dx(), 120), "DataMatrix": onLabel(t, matrix, errOfMatrix, 240, 240),
	} {
		tab := d.before(webtest.Camera{Sees: seen}, "/clinic/receive")
		tab.Press("Scan with the camera")
		tab.Sees("main", "batch K77")
		require.Equal(t, "K77|2029-04-30", js[string](t, tab.Context(), `["batch", "expiry"].map(n => document.querySelector("[name=" + n + "]").value).join("|")`), name)
	}
}

// TestBagsByCameraOneAfterTheOther: at a count the camera stays open, and a bag that it
// still looks at is noted once.
func TestBagsByCameraOneAfterTheOther(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	tab := d.before(webtest.Camera{Sees: sticker(t, bags[0])}, "/clinic/count?place="+d.place)
	tab.Press("Scan with the camera")
	tab.Sees(".camera", "Read "+bags[0]+"; 1 in all")
	time.Sleep(time.Second) // it goes on to see the same bag
	require.Equal(t, bags[0]+"\n", js[string](t, tab.Context(), `document.querySelector("textarea[name=also]").value`))
	tab.Press("Close the camera")
	require.Zero(t, js[int](t, tab.Context(), `document.querySelectorAll("video").length`))
}

// TestWithoutACamera says in plain words what to do where the camera is refused or there
// is none; the field can be typed into as before.
func TestWithoutACamera(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toHang()
	for _, c := range []struct {
		camera webtest.Camera
		script string
		says   string
	}{
		{webtest.Camera{}, "", "No camera was found here: type the number"},
		{webtest.Camera{Sees: sticker(t, bag), Refused: true}, "", "The browser refused the camera. Allow it for this page"},
		{webtest.Camera{}, `Object.defineProperty(navigator, "mediaDevices", {value: undefined}); null`, "Pair the phone under 'Phones' on the laptop"},
		{webtest.Camera{}, `navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException("", "NotReadableError")); null`, "Another program has the camera"},
	} {
		tab := d.before(c.camera, "/case/"+id+"/hang")
		if c.script != "" {
			js[any](t, tab.Context(), c.script)
		}
		tab.Press("Scan with the camera")
		tab.Sees(".camera", c.says)
		require.Contains(t, wedged(t, tab, bag), "The bag of the plan.")
	}
}

// TestTheBrowsersOwnReader is asked where it knows all of our symbols: the kept one does
// not come then.
func TestTheBrowsersOwnReader(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toHang()
	tab := d.before(webtest.Camera{Sees: sticker(t, "K0QWV50MA")}, "/case/"+id+"/hang")
	js[any](t, tab.Context(), `window.BarcodeDetector = class { static async getSupportedFormats() { return ["code_128", "qr_code", "data_matrix", "ean_13"]; } async detect(video) { return video.videoWidth ? [{rawValue: "`+bag+`"}] : []; } }; null`)
	tab.Press("Scan with the camera")
	require.Eventually(t, func() bool { return strings.HasPrefix(scanned(t, tab.Context()), bag+"|The bag of the plan.") }, 20*time.Second, 50*time.Millisecond)
	require.False(t, js[bool](t, tab.Context(), `!!window.ZXing`))
}

// TestAPairedPhoneHasItsCamera comes in over TLS with the certificate that its person has
// compared: browsers give their camera to such a page.
func TestAPairedPhoneHasItsCamera(t *testing.T) {
	d := newLaptop(t)
	at, certificate := d.letPhonesIn()
	id, bag := d.toHang()
	ctx := webtest.ChromiumWith(t, 2*time.Minute, webtest.Camera{Sees: sticker(t, bag)}, certificate)
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate("https://"+at+"/pair/"+d.phoneCode()), chromedp.SendKeys("#name", "blue phone"), chromedp.Click("button.main")))
	until(t, ctx, "h1", "Now")
	tab := webtest.NewTab(t, ctx)
	tab.Open("https://" + at + "/case/" + id + "/hang")
	tab.Press("Scan with the camera")
	require.Eventually(t, func() bool { return strings.HasPrefix(scanned(t, ctx), bag+"|The bag of the plan.") }, 20*time.Second, 50*time.Millisecond, tab.Text("main"))
}

// TestTheCameraOnThePage takes pictures of the open camera and of a refusal, and wants the
// page to fit a phone with them.
func TestTheCameraOnThePage(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	for name, camera := range map[string]webtest.Camera{"80-camera": {Sees: sticker(t, bags[0])}, "81-no-camera": {}} {
		tab := d.before(camera, "/clinic/count?place="+d.place)
		for theme, width := range map[string]int64{"light": 390, "dark": 1280} {
			require.NoError(t, chromedp.Do(tab.Context(), inTheme(theme), chromedp.EmulateViewport(width, 844), chromedp.Navigate(d.server.URL+"/clinic/count?place="+d.place)))
			tab.Press("Scan with the camera")
			tab.Sees(".camera p", map[bool]string{true: "Read", false: "No camera"}[camera.Sees != nil])
			snap(t, tab.Context(), name+"-"+theme)
			require.Empty(t, js[[]string](t, tab.Context(), misfits), name)
		}
	}
}
