//go:build browser

package web

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// slowly has every answer to a delivery take longer than a scanner needs.
func (d *laptop) slowly(by time.Duration) {
	answer := d.server.Config.Handler
	d.server.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/clinic/delivery" && r.Method == http.MethodPost {
			time.Sleep(by)
		}
		answer.ServeHTTP(w, r)
	})
}

// openDelivery is a delivery, open on a laptop whose books know the maker's number.
func openDelivery(t *testing.T) (*laptop, *webtest.Tab) {
	d := newLaptop(t)
	d.begin()
	d.learns()
	ctx := chromium(t)
	d.enter(ctx)
	tab := webtest.NewTab(t, ctx)
	tab.Open(d.server.URL + "/clinic/delivery")
	return d, tab
}

// learns has the books know what a maker's number stands for.
func (d *laptop) learns() {
	d.write(&pb.ProductCoded{Product: "Foal plasma", Gtin: "09501101530003"})
}

// bagsOf counts the stock of each batch.
func (d *laptop) bagsOf() map[string]int {
	out, err := d.site.Stock.ListStock(d.t.Context(), &pb.ListStockRequest{})
	require.NoError(d.t, err)
	of := map[string]int{}
	for _, b := range out.Bags {
		of[b.Batch]++
	}
	return of
}

// TestScansOutrunTheAnswers scans faster than the laptop answers, which goes away and comes
// back meanwhile, while the page is loaded anew: each scan counts once, in its order.
func TestScansOutrunTheAnswers(t *testing.T) {
	d, tab := openDelivery(t)
	d.slowly(150 * time.Millisecond)
	scan := func(batches ...string) {
		for _, b := range batches {
			tab.Scan(gtin + "1728033110" + b + "{GS}")
		}
	}
	scan("K3", "K1", "K3", "K2", "K3", "K1")
	tab.Type("supplier", "Wattle & Sons") // while they are on their way
	tab.Focus("scan")
	scan("K2", "K3")
	d.gone()
	scan("K1", "K1")
	tab.Sees(".desk", "does not answer")
	d.back()
	scan("K2")
	tab.Reload()
	scan("K3")
	tab.Sees("#delivery-said", "12 bags in all")
	require.Equal(t, "Wattle & Sons", webtest.Ask[string](tab, `document.querySelector("[name=supplier]").value`), "what was typed meanwhile stays")
	for i, want := range []string{"K3, 5", "K1, 4", "K2, 3"} {
		batch, count, _ := strings.Cut(want, ", ")
		require.Equal(t, count, webtest.Ask[string](tab, `document.querySelector("[name=count_`+strconv.Itoa(i)+`]").value`), batch)
		require.Contains(t, webtest.Ask[string](tab, `document.querySelectorAll(".batch legend")[`+strconv.Itoa(i)+`].textContent`), batch)
	}
	tab.Choose("place", "north car")
	tab.Focus("scan")
	scan("K2", "K1")
	tab.Press("Take 1") // bags, before they are counted
	tab.Arrives("/clinic/labels")
	require.Equal(t, map[string]int{"K3": 5, "K1": 5, "K2": 4}, without(d.bagsOf(), "H-2207"))
}

// TestAnAnswerWaitsForTheFinger presses a button while an answer comes that would replace it:
// the press counts, after the scan before it.
func TestAnAnswerWaitsForTheFinger(t *testing.T) {
	d, tab := openDelivery(t)
	d.slowly(300 * time.Millisecond)
	tab.Scan(gtin + "1728033110K3{GS}")
	tab.Sees("#delivery-said", "1 bag in all")
	tab.Choose("place", "north car")
	tab.Focus("scan")
	stood := webtest.Ask[float64](tab, bottomOfTake)
	tab.Scan(gtin + "1728033110K3{GS}")
	tab.Scan(gtin + "1728033110K3{GS}")
	require.Equal(t, stood, webtest.Ask[float64](tab, bottomOfTake), "what tells of waiting scans moves no button away")
	tab.PressFor("#delivery-done", "Take", time.Second)
	tab.Arrives("/clinic/labels")
	require.Equal(t, map[string]int{"K3": 3}, without(d.bagsOf(), "H-2207"))
}

const bottomOfTake = `document.querySelector("[name=do][value=save]").getBoundingClientRect().bottom + scrollY`

// without leaves out one batch.
func without(of map[string]int, batch string) map[string]int {
	delete(of, batch)
	return of
}

// TestAScannersSeparatorIsAKey types the sign that ends a field as scanners do.
func TestAScannersSeparatorIsAKey(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	ctx := chromium(t)
	d.enter(ctx)
	tab := webtest.NewTab(t, ctx)
	tab.Open(d.server.URL + "/clinic/delivery")
	webtest.Ask[any](tab, `(() => {
		const f = document.querySelector("#code"), key = (key, ctrlKey) => f.dispatchEvent(new KeyboardEvent("keydown", { key, ctrlKey, bubbles: true, cancelable: true }));
		f.value = "`+gtin+`1728043010L8"; key("]", true); f.value += "21AB"; key("Enter");
	})()`)
	tab.Sees("#delivery-said", "L8: 1 bag")
	require.Empty(t, tab.Text("#asked"), "nothing is in doubt")
}

// TestAScanWithTheFocusNowhere has the vet press beside all fields before scanning: the
// codes go into the field that there is for them.
func TestAScanWithTheFocusNowhere(t *testing.T) {
	_, tab := openDelivery(t)
	webtest.Ask[any](tab, `document.activeElement.blur()`)
	tab.Scan(gtin + "1728033110K3{GS}")
	tab.Sees("#delivery-said", "K3: 1 bag")
	webtest.Ask[any](tab, `document.querySelector("summary").focus()`)
	tab.Scan(gtin + "1728033110K3{GS}")
	tab.Sees("#delivery-said", "K3: 2 bags")
}

// TestStickersOfADeliveryFitARoll prints the stickers of a delivery on a roll: each is a page
// of its size, and its code is whole.
func TestStickersOfADeliveryFitARoll(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	saved := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "A-LONG-BATCH-2299", Expiry: "2028-03-31", VolumeMl: 950, Count: 3, Place: "north car"})
	ctx := chromium(t)
	d.enter(ctx)
	tab := webtest.NewTab(t, ctx)
	tab.Open(d.server.URL + "/clinic/labels?record=" + saved.Record[:16])
	tab.Press("a roll")
	tab.Sees("[aria-current=true]", "a roll")
	asStyled := func(p *page.PrintToPDFParams) { p.PreferCSSPageSize = new(true) }
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(asStyled))
	require.NoError(t, err)
	if shots != "" {
		require.NoError(t, os.WriteFile(filepath.Join(shots, "roll.pdf"), pdf, 0o644))
	}
	require.Equal(t, 3, len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(pdf, -1)), "a page for each")
	// 57 by 32 mm are 161.6 by 90.7 points.
	require.Len(t, regexp.MustCompile(`/MediaBox \[0 0 16[12](\.\d+)? 9[01](\.\d+)?\]`).FindAll(pdf, -1), 3)
}

// TestStickersBeginInTheMiddleOfASheet prints on a sheet of which four labels are used: the
// first sticker lies where the fifth label is, and 27 go on a sheet of A4.
func TestStickersBeginInTheMiddleOfASheet(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	saved := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "A-LONG-BATCH-2299", Expiry: "2028-03-31", VolumeMl: 950, Count: 23, Place: "north car"})
	ctx := chromium(t)
	d.enter(ctx)
	for first, sheets := range map[string]int{"1": 1, "5": 1, "6": 2} {
		pdf, n := d.printed(ctx, "/clinic/labels?record="+saved.Record[:16]+"&first="+first, chromedp.PaperA4)
		assert.Equal(t, sheets, n, "from label %s", first)
		if shots != "" {
			require.NoError(t, os.WriteFile(filepath.Join(shots, "labels-"+first+".pdf"), pdf, 0o644))
		}
	}
	d.shoot(ctx, "labels", "/clinic/labels?record="+saved.Record[:16]+"&first=5")
	require.NoError(t, chromedp.Do(ctx, asPrinted, chromedp.EmulateViewport(186*96*10/254, 271*96*10/254), chromedp.Navigate(d.server.URL+"/clinic/labels?record="+saved.Record[:16]+"&first=5")))
	at := js[[]float64](t, ctx, `(() => { const list = document.querySelector(".stickers").getBoundingClientRect(), one = document.querySelector(".stickers li:not(.used)").getBoundingClientRect(); return [(one.left - list.left) / one.width, (one.top - list.top) / one.height]; })()`)
	require.InDeltaSlice(t, []float64{1, 1}, at, 0.05, "the second of the second row")
}
