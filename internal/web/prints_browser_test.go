//go:build browser

package web

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestPapersOfTheBooks prints what a clinic and its owner print beside cases: nothing of it is
// cut off at the edge of its paper.
func TestPapersOfTheBooks(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.fill("/case/"+id+"/finish", "given_ml", "940")
	client, _ := d.aClient("P. Hollis", "0491 570 156", "Morning Tide", "Low Meadow", "G. Groom")
	ctx := chromiumFor(t, 3*time.Minute)
	d.enter(ctx)
	for name, p := range map[string]string{
		"recall": "/clinic/recall?product=Foal+plasma&batch=H-2207", "balance": "/owner/balance?by=place", "vehicle": "/clinic/sheets",
		"stock": "/clinic/stock", "clients": "/clinic/clients", "client": "/clinic/client/" + client, "prices": "/clinic/prices", "charges": "/clinic/charges/" + id, "horse": "/clinic/horse?horse=Morning+Tide",
	} {
		pdf, sheets := d.printed(ctx, p, chromedp.PaperA4)
		require.Positive(t, sheets)
		if shots != "" {
			require.NoError(t, os.WriteFile(filepath.Join(shots, "paper-"+name+".pdf"), pdf, 0o644))
		}
		require.NoError(t, chromedp.Do(ctx, asPrinted, chromedp.EmulateViewport(186*96*10/254, 271*96*10/254), chromedp.Navigate(d.server.URL+p)))
		require.LessOrEqual(t, js[int](t, ctx, "document.documentElement.scrollWidth - innerWidth"), 0, "%s is cut off at the edge", name)
		apart := js[[]string](t, ctx, `[...document.querySelectorAll("main table")].filter(t => t.tHead && t.tBodies[0] && t.tBodies[0].rows[0] && t.getClientRects().length && Math.abs(t.tHead.getBoundingClientRect().width - t.tBodies[0].getBoundingClientRect().width) > 1).map(t => t.outerHTML.slice(0, 120))`)
		assert.Empty(t, apart, "%s: the heads of a table stand over its columns", name)
	}
}
