//go:build browser

package web

import (
	"context"
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// fullStock is a laptop with 60 bags of four batches, one on hold, one of them lent.
func fullStock(t *testing.T) *laptop {
	d := newLaptop(t)
	bags := d.begin()
	for i, n := range []int32{16, 12, 29} {
		d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: fmt.Sprintf("H-23%02d", i), Expiry: "2028-09", VolumeMl: 950, Count: n, Place: "clinic freezer"})
	}
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "H-2300", Reason: "Bacteria found in one bag, says the maker."})
	d.write(&pb.BagsLent{Bags: bags[:1], ToPractice: "Hill Road"})
	return d
}

// TestStockFitsUnfolded opens every fold of the list on a narrow phone, on paper's
// width and on a screen: no number and no reason sticks out.
func TestStockFitsUnfolded(t *testing.T) {
	inPseudo(t)
	d := fullStock(t)
	ctx := chromium(t)
	d.enter(ctx)
	for _, width := range []int64{320, 390, 700, 1280} {
		for _, path := range []string{"/clinic/stock", "/clinic/stock?sort=bags&q=plasma", "/clinic/stock?all=1"} {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(d.server.URL+path)))
			js[bool](t, ctx, `(() => { for (const d of document.querySelectorAll("main details")) d.open = true; return true })()`)
			assert.Empty(t, js[[]string](t, ctx, misfits), "%s at %d px", path, width)
		}
	}
}

// TestStockIsOneSheet prints 60 bags, with every number and why some are set aside, on one
// sheet of both usual papers; and the folds are closed again afterwards.
func TestStockIsOneSheet(t *testing.T) {
	d := fullStock(t)
	ctx := chromium(t)
	d.enter(ctx)
	for name, paper := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
		_, sheets := d.printed(ctx, "/clinic/stock", paper)
		require.Equal(t, 1, sheets, name)
		require.Zero(t, openFolds(t, ctx), "folded again")
	}
	js[bool](t, ctx, `dispatchEvent(new Event("beforeprint"))`)
	require.NotZero(t, openFolds(t, ctx), "on paper nothing is folded")
}

// openFolds counts the open folds of the page's list.
func openFolds(t *testing.T, ctx context.Context) int {
	return js[int](t, ctx, `document.querySelectorAll("#stock details[open]").length`)
}
