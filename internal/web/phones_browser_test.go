//go:build browser

package web

import (
	"bytes"
	"context"
	"crypto/x509"
	"image"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
)

// phoneBrowser is a browser of a phone's size whose person has compared one
// certificate.
func phoneBrowser(t *testing.T, compared *x509.Certificate) context.Context {
	t.Helper()
	ctx := chromiumFor(t, 2*time.Minute, compared)
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(360, 740)))
	return ctx
}

// inTheme shows pages by day or by night.
func inTheme(theme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}})
		return err
	})
}

// snap keeps a picture when a folder is named, and gives it.
func snap(t *testing.T, ctx context.Context, name string) image.Image {
	t.Helper()
	raw, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(t, err)
	if shots != "" {
		require.NoError(t, os.WriteFile(filepath.Join(shots, name+".png"), raw, 0o644))
	}
	img, err := png.Decode(bytes.NewReader(raw))
	require.NoError(t, err)
	return img
}

// clip takes the part of a picture where an element stands.
func clip(t *testing.T, ctx context.Context, img image.Image, selector string) image.Image {
	t.Helper()
	r := js[map[string]float64](t, ctx, `(() => { const r = document.querySelector("`+selector+`").getBoundingClientRect(); return {x: r.x + scrollX, y: r.y + scrollY, w: r.width, h: r.height}; })()`)
	out := image.NewRGBA(image.Rect(0, 0, int(r["w"]), int(r["h"])))
	draw.Draw(out, out.Bounds(), img, image.Pt(int(r["x"]), int(r["y"])), draw.Src)
	return out
}

// TestAPhoneInTheBarn pairs a phone from the laptop's screen, over TLS at 360 px,
// watches a running case on it, and shuts it out with the page open.
func TestAPhoneInTheBarn(t *testing.T) {
	d := newLaptop(t)
	at, certificate := d.letPhonesIn()
	id, _ := d.toRunning()
	laptop := chromium(t)
	d.enter(laptop)
	phone := phoneBrowser(t, certificate)
	require.NoError(t, chromedp.Do(laptop, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(d.server.URL+"/phones")))
	js[any](t, laptop, `document.querySelector("#for-whom").selectedIndex = 1`)
	require.NoError(t, chromedp.Do(laptop, chromedp.Click(`form[action="/phones"] button.main`)))
	until(t, laptop, ".pairing", "Code for M. Alder")

	// What the phone's camera sees is the address with the code.
	address := js[string](t, laptop, `document.querySelector(".pairing .breaks").innerText`)
	require.Equal(t, address, webtest.ScanQR(t, clip(t, laptop, snap(t, laptop, "70-phones-wide"), ".pairing .qr")))
	require.NoError(t, chromedp.Do(laptop, chromedp.EmulateViewport(390, 900)))
	snap(t, laptop, "70-phones-phone")

	// A certificate that was not compared is not gone past.
	_, other := newLaptop(t).letPhonesIn()
	stranger := phoneBrowser(t, other)
	require.ErrorContains(t, chromedp.Do(stranger, chromedp.Navigate(address)), "ERR_CERT_AUTHORITY_INVALID")

	require.NoError(t, chromedp.Do(phone, chromedp.Navigate(address)))
	until(t, phone, "h1", "Pair this phone")
	narrow := func() {
		t.Helper()
		require.LessOrEqual(t, js[int](t, phone, `document.documentElement.scrollWidth`), 360, "nothing is wider than the screen")
	}
	narrow()
	snap(t, phone, "71-pair-phone")
	require.NoError(t, chromedp.Do(phone, chromedp.SendKeys("#name", "blue phone"), chromedp.Click("button.main")))
	until(t, phone, "h1", "Now")
	until(t, phone, ".who", "M. Alder")
	narrow()
	snap(t, phone, "72-now-phone")
	// The laptop's page shows it without a press there.
	until(t, laptop, "#paired", "blue phone")
	require.False(t, js[bool](t, laptop, `!!document.querySelector(".pairing")`), "the code is gone")

	// What is typed on one shows on the other.
	run := "/case/" + id + "/run"
	require.NoError(t, chromedp.Do(phone, chromedp.Navigate("https://"+at+run)))
	second, done := chromedp.NewContext(laptop)
	defer done()
	require.NoError(t, chromedp.Do(second, chromedp.Navigate(d.server.URL+run)))
	d.clock.Advance(5 * time.Minute)
	require.NoError(t, chromedp.Do(phone, chromedp.SendKeys("#vitals_noted-heart_rate", "97"), chromedp.SendKeys("#vitals_noted-given_ml", "7"), chromedp.Submit("#vitals_noted-heart_rate")))
	until(t, second, "#vitals-so-far", "97")
	d.fill(run, "heart_rate", "103", "given_ml", "9")
	until(t, phone, "#vitals-so-far", "103")
	narrow()
	snap(t, phone, "73-run-phone")

	// Shut out with the page open: it says that the laptop does not answer, and no
	// page comes any more.
	require.NoError(t, chromedp.Do(laptop, chromedp.Click(`#paired button`)))
	until(t, laptop, "#paired", "No phone is paired")
	until(t, phone, "#gone:not([hidden])", "does not answer")
	require.NoError(t, chromedp.Do(phone, chromedp.Reload()))
	until(t, phone, "h1", "Pair this phone")
	require.NotContains(t, js[string](t, phone, "document.body.innerText"), "Quiet Harbour")
}

// TestStickersOnPaper prints stickers and reads one back.
func TestStickersOnPaper(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	ctx := chromium(t)
	d.enter(ctx)
	path := "/clinic/labels?bag=" + bags[0] + "&bag=" + bags[1] + "&bag=" + bags[2]
	for _, theme := range []string{"light", "dark"} {
		require.NoError(t, chromedp.Do(ctx, inTheme(theme), chromedp.EmulateViewport(1280, 900), chromedp.Navigate(d.server.URL+path)))
		require.Equal(t, bags[0], webtest.ScanQR(t, clip(t, ctx, snap(t, ctx, "74-labels-"+theme), ".stickers .qr")), theme)
	}
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF())
	require.NoError(t, err)
	if shots != "" {
		require.NoError(t, os.WriteFile(filepath.Join(shots, "labels.pdf"), pdf, 0o644))
	}
	require.NotEmpty(t, pdf)
}
