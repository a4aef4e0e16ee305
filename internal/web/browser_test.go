//go:build browser

// Tests in a real browser: go test -tags browser ./internal/web. They need
// Chromium from the system's packages.
package web

import (
	"bytes"
	"context"
	"crypto/x509"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// chromium starts the browser and gives the context of its first tab. A page that
// hangs fails, and says where.
func chromium(t *testing.T) context.Context { return chromiumFor(t, 4*time.Minute) }

func chromiumFor(t *testing.T, limit time.Duration, compared ...*x509.Certificate) context.Context {
	t.Helper()
	return webtest.Chromium(t, limit, compared...)
}

// enter signs the tab in.
func (d *laptop) enter(ctx context.Context) {
	d.t.Helper()
	in, err := d.site.Entrance()
	require.NoError(d.t, err)
	require.NoError(d.t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+in[strings.Index(in, "/enter/"):])))
}

// theme makes the tab ask for a light or a dark page.
func theme(name string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
		return err
	})
}

// shots is where pictures of pages go; empty: none are taken.
var shots = os.Getenv("THAWTRAIL_SHOTS")

// shoot takes a page in both widths and both themes.
func (d *laptop) shoot(ctx context.Context, name, path string) {
	d.t.Helper()
	if shots == "" {
		return
	}
	for _, size := range []struct {
		width         int64
		theme, suffix string
	}{{1280, "light", "wide"}, {390, "light", "phone"}, {1280, "dark", "wide-dark"}, {390, "dark", "phone-dark"}} {
		require.NoError(d.t, chromedp.Do(ctx,
			chromedp.EmulateViewport(size.width, 900), theme(size.theme), chromedp.Navigate(d.server.URL+path), chromedp.Sleep(200*time.Millisecond),
		))
		png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		require.NoError(d.t, err)
		require.NoError(d.t, os.WriteFile(filepath.Join(shots, name+"-"+size.suffix+".png"), png, 0o644))
	}
}

// TestEveryPageIsPictured opens every page in a browser, and takes pictures when
// a folder is named.
func TestEveryPageIsPictured(t *testing.T) {
	d := newLaptop(t)
	ctx := chromiumFor(t, 10*time.Minute)
	d.enter(ctx)
	d.shoot(ctx, "00-empty", "/barn")
	id, bag := d.toBags()
	at := "/case/" + id
	d.shoot(ctx, "01-open", "/open")
	for _, p := range []string{"risk", "colostrum", "look", "referral", "weigh?girth=84", "igg", "agree", "bath"} {
		d.shoot(ctx, "02-"+strings.ReplaceAll(p, "?", "-"), at+"/"+p)
	}
	d.shoot(ctx, "03-dose", at+"/dose?place="+d.place)
	d.fill(at+"/bath", append([]string{"bag", bag, "read_batch", "h2207", "read_expiry", "2028-03"}, ticks("batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")...)...)
	d.shoot(ctx, "04-thaw", at+"/thaw?water_l=12&water_c=40&hot_c=60&air_c=5")
	d.fill(at+"/thaw", "do", "start", "bath_dc", "36", "water_l_x10", "12")
	d.clock.Advance(4 * time.Minute)
	d.shoot(ctx, "05-thawing", at+"/thaw?hot_c=60&water_c=31")
	d.clock.Advance(21 * time.Minute)
	d.fill(at+"/thaw", "do", "thawed", "bag_dc", "33")
	d.shoot(ctx, "06-baseline", at+"/baseline")
	d.fill(at+"/baseline", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34")
	d.shoot(ctx, "07-rate", at+"/rate?plateau=20&drops=15")
	d.fill(at + "/rate?plateau=20&drops=15")
	d.shoot(ctx, "08-hang", at+"/hang")
	d.fill(at+"/hang", append([]string{"bag", bag, "bag_dc", "33"}, ticks("patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed", "filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals")...)...)
	d.shoot(ctx, "09-start", at+"/start")
	d.fill(at+"/start", "gauge", "16", "site", "left jugular")
	for i, look := range [][]string{{"38.2", "98", "36", "6"}, {"38.1", "97", "35", "12"}, {"38.1", "97", "35", "19"}} {
		d.clock.Advance(5 * time.Minute)
		d.fill(at+"/run", "temperature_dc", look[0], "heart_rate", look[1], "breathing_rate", look[2], "given_ml", look[3])
		_ = i
	}
	d.clock.Advance(6 * time.Minute)
	d.shoot(ctx, "10-run", at+"/run")
	d.shoot(ctx, "11-slower", at+"/slower")
	d.shoot(ctx, "12-handover", at+"/handover")
	d.shoot(ctx, "13-now", "/barn")
	d.fill(at+"/treat", "do", "")
	d.shoot(ctx, "14-treat", at+"/treat")
	d.shoot(ctx, "15-clamp", at+"/clamp")
	d.shoot(ctx, "16-finish", at+"/finish")
	for name, p := range map[string]string{
		"20-clinic": "/clinic", "21-stock": "/clinic/stock", "22-receive": "/clinic/receive", "23-load": "/clinic/load?place=" + d.place,
		"24-count": "/clinic/count?place=" + d.place, "25-batches": "/clinic/batches", "26-hold": "/clinic/hold", "27-setup": "/clinic/setup",
		"28-labels": "/clinic/labels?bag=" + bag, "29-bag": "/bag/" + bag, "30-owner": "/owner", "31-doubts": "/owner/doubts", "32-people": "/owner/people",
		"33-late": "/owner/late", "34-sheet": at + "/sheet", "35-advice": at + "/advice", "36-later": at + "/later", "37-blank": "/blank", "38-cases": "/cases",
		"39-write": "/write/product_card", "40-batch": "/clinic/batch?product=Foal+plasma&batch=H-2207", "41-nowhere": "/nowhere",
	} {
		d.shoot(ctx, name, p)
	}
	open := func(pairs ...string) string {
		return "/case/" + strings.Split(d.fill("/open", append(pairs, "clock_checked", "yes")...), "/")[2]
	}
	horse := open("kind", "horse", "patient_name", "Grey Wren", "sex", "mare")
	d.fill(horse+"/look", "total_protein_dg_per_l", "40")
	d.fill(horse+"/weigh", "weight_g", "422", "method", "tape")
	d.shoot(ctx, "42-protein", horse+"/protein?target_tp=45&donor_tp=70")
	d.shoot(ctx, "43-protein-bags", horse+"/dose?tp=40&target_tp=45&donor_tp=70&place="+d.place)
	d.shoot(ctx, "44-protein-recheck", horse+"/recheck")
	d.shoot(ctx, "45-tape", horse+"/weigh?girth=180&length=155")
	first, twin := open("kind", "foal", "dam_name", "Slate", "twin", "A"), open("kind", "foal", "dam_name", "Slate", "twin", "B")
	stock, err := d.site.Stock.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	d.starts(strings.TrimPrefix(first, "/case/"), stock.Bags[0].Bag)
	d.shoot(ctx, "46-share", twin+"/share")
	d.fill("/clinic/hold", "product", "Foal plasma", "batch", "H2207", "reason", "maker called: two reactions in another practice")
	d.shoot(ctx, "50-takeover", at+"/run")
	d.shoot(ctx, "51-batches", "/clinic/batches")
}

// js asks the page something.
func js[T any](t testing.TB, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	require.NoError(t, err, expression)
	return v
}

// until waits for a word in a tab's text; the page changes by itself.
func until(t testing.TB, ctx context.Context, selector, word string) {
	t.Helper()
	var said string
	for range 200 {
		// A page that loads just now cannot be asked: it is asked again.
		now, err := chromedp.Run(ctx, chromedp.Evaluate[string](`(document.querySelector("`+selector+`") || {innerText: ""}).innerText`))
		if err == nil {
			said = now
		}
		if strings.Contains(said, word) {
			return
		}
		require.NoError(t, chromedp.Do(ctx, chromedp.Sleep(25*time.Millisecond)))
	}
	t.Fatalf("%q never came; the page says: %s", word, said)
}

// TestThreePagesLive has the barn page, the clinic page and a second barn page
// open at once: what one writes the others show, a hold takes the screen, and one
// key stops and treats.
func TestThreePagesLive(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	at := d.server.URL + "/case/" + id
	barn := chromium(t)
	d.enter(barn)
	clinic, close1 := chromedp.NewContext(barn)
	defer close1()
	second, close2 := chromedp.NewContext(barn)
	defer close2()
	require.NoError(t, chromedp.Do(barn, chromedp.Navigate(at+"/run")))
	require.NoError(t, chromedp.Do(clinic, chromedp.Navigate(d.server.URL+"/clinic")))
	require.NoError(t, chromedp.Do(second, chromedp.Navigate(d.server.URL+"/barn")))

	// The clock of the page is the program's, also after a reload.
	d.clock.Advance(4 * time.Minute)
	require.NoError(t, chromedp.Do(barn, chromedp.Reload()))
	until(t, barn, "#run time[data-since]", "4 min")

	// A look typed in one tab shows in the others without a press there.
	d.clock.Advance(time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	until(t, barn, "#vitals-so-far", "98")
	until(t, barn, "#run", "6 mL")

	// What is being typed stays while the page renews itself.
	require.NoError(t, chromedp.Do(barn, chromedp.SendKeys("#vitals_noted-heart_rate", "101")))
	d.fill("/case/"+id+"/look", "text", "quiet")
	d.fill("/case/"+id+"/run", "heart_rate", "99", "given_ml", "8")
	until(t, barn, "#vitals-so-far", "99")
	require.Equal(t, "101", js[string](t, barn, `document.querySelector("#vitals_noted-heart_rate").value`))

	// Drops against the clock: twenty taps make a rate.
	js[int](t, barn, `(async () => { const b = document.querySelector("#tap"); for (let i = 0; i < 20; i++) { b.dispatchEvent(new KeyboardEvent("keydown", {key: " ", bubbles: true})); await new Promise(r => setTimeout(r, 50)); } return 0; })()`)
	until(t, barn, "#drop-said", "20 drops in 1 s")
	require.NotEmpty(t, js[string](t, barn, `document.querySelector("#ml_per_h").value`))

	// A hold placed at the clinic takes the screen of every page.
	d.fill("/clinic/hold", "product", "Foal plasma", "batch", "H2207", "reason", "maker called")
	for _, tab := range []context.Context{barn, clinic, second} {
		until(t, tab, ".takeover", words.BagNumber(bag))
	}
	// One key, on that screen too.
	tab := webtest.NewTab(t, barn)
	tab.KeyOn(kb.F9)
	tab.Sees(".takeover", "maker called")
	tab.Press("I have read this; go on")
	tab.Sees("h1", "Stop and treat")
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Equal(t, "clamp shut", out.Case.State)
}

// TestKeyboardAlone opens a case and answers the first questions without a mouse.
func TestKeyboardAlone(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	ctx := chromium(t)
	d.enter(ctx)
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+"/open")))
	tabTo := func(name, value string) {
		t.Helper()
		for range 80 {
			require.NoError(t, chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)))
			if js[bool](t, ctx, `document.activeElement.name === "`+name+`" || document.activeElement.innerText === "`+name+`"`) {
				if value != "" {
					require.NoError(t, chromedp.Do(ctx, chromedp.KeyEvent(value)))
				}
				return
			}
		}
		t.Fatalf("the keyboard never came to %s", name)
	}
	tabTo("kind", " ")
	tabTo("dam_name", "Quiet Harbour")
	tabTo("sex", kb.ArrowDown)
	tabTo("clock_checked", " ")
	tabTo("Open the case", kb.Enter)
	until(t, ctx, "h1", "Examination")
	// Back to the form and forward again. Waiting for a load event would wait for
	// ever: the browser keeps such pages ready and does not load them.
	for _, step := range []struct{ script, at string }{{"history.back()", "/open"}, {"history.forward()", "/look"}} {
		js[any](t, ctx, step.script)
		require.Eventually(t, func() bool { return strings.HasSuffix(js[string](t, ctx, "location.pathname"), step.at) },
			10*time.Second, 50*time.Millisecond, step.script)
	}
	cases, err := d.site.Cases.ListCases(t.Context(), &pb.ListCasesRequest{})
	require.NoError(t, err)
	require.Len(t, cases.Cases, 1)
}

// printed is a page as the browser prints it, and on how many sheets of paper.
func (d *laptop) printed(ctx context.Context, path string, paper chromedp.PaperSize) (pdf []byte, sheets int) {
	d.t.Helper()
	require.NoError(d.t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+path), chromedp.Sleep(200*time.Millisecond)))
	asStyled := func(p *page.PrintToPDFParams) { p.PreferCSSPageSize = new(true) }
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper), asStyled))
	require.NoError(d.t, err)
	return pdf, bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page "))
}

// TestSheetIsOnePage prints the case sheet and the other papers of a usual night on both
// usual papers.
func TestSheetIsOnePage(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	for _, look := range [][]string{{"38.2", "98", "36", "6"}, {"38.1", "97", "35", "12"}, {"38.1", "97", "35", "19"}, {"38.3", "99", "35", "250"}, {"38.2", "98", "34", "500"}, {"38.2", "98", "34", "750"}} {
		d.clock.Advance(5 * time.Minute)
		d.fill("/case/"+id+"/run", "temperature_dc", look[0], "heart_rate", look[1], "breathing_rate", look[2], "given_ml", look[3])
	}
	d.fill("/case/"+id+"/finish", "given_ml", "940")
	ctx := chromium(t)
	d.enter(ctx)
	for size, paper := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
		for name, p := range map[string]string{"sheet": "/case/" + id + "/sheet", "advice": "/case/" + id + "/advice", "blank": "/blank", "adult": "/blank?adult=1", "bag": "/bag/" + bag, "vehicle": "/clinic/sheets"} {
			pdf, sheets := d.printed(ctx, p, paper)
			if shots != "" {
				require.NoError(t, os.WriteFile(filepath.Join(shots, name+"-"+size+".pdf"), pdf, 0o644))
			}
			assert.Equal(t, 1, sheets, "%s on %s", name, size)
		}
	}
}

// asPrinted makes the tab style its page as it prints it.
var asPrinted = chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
	_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
	return err
})

// TestTheBlankSheetFillsItsPaper: as it is printed it reaches from the head of the paper to
// its foot, on both papers, so that there is room to write.
func TestTheBlankSheetFillsItsPaper(t *testing.T) {
	d := newLaptop(t)
	ctx := chromium(t)
	d.enter(ctx)
	for _, p := range []string{"/blank", "/blank?adult=1"} {
		for _, mm := range [][2]int64{{210, 297}, {216, 279}} { // A4, Letter
			width, height := (mm[0]-24)*96*10/254, (mm[1]-26)*96*10/254
			require.NoError(t, chromedp.Do(ctx, asPrinted, chromedp.EmulateViewport(width, height), chromedp.Navigate(d.server.URL+p)))
			foot := js[float64](t, ctx, `document.querySelector(".blank > :last-child").getBoundingClientRect().bottom / innerHeight`)
			require.InDelta(t, 0.98, foot, 0.02, "%s on %v", p, mm)
			row := js[float64](t, ctx, `Math.min(...[...document.querySelectorAll(".many tbody tr")].map(r => r.getBoundingClientRect().height)) * 25.4 / 96`)
			require.Greater(t, row, 5.0, "mm to write in: %s on %v", p, mm)
		}
	}
}

// TestALongSheetRepeatsItsHead: loose sheets of a long night say whose they are.
func TestALongSheetRepeatsItsHead(t *testing.T) {
	n := newRichNight(t)
	for range 30 {
		n.clock.Advance(5 * time.Minute)
		n.write(&pb.NoteAdded{EntityKind: "case", Entity: n.id, Text: &pb.Sealed{Plain: "quiet, sucks"}})
	}
	ctx := chromium(t)
	n.enter(ctx)
	_, sheets := n.printed(ctx, "/case/"+n.id+"/sheet", chromedp.PaperA4)
	require.Equal(t, 2, sheets)
	require.NoError(t, chromedp.Do(ctx, asPrinted))
	require.Equal(t, "table-header-group table-row", js[string](t, ctx, `[".course thead", ".again"].map(s => getComputedStyle(document.querySelector(s)).display).join(" ")`))
}
