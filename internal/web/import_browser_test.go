//go:build browser

package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
)

// choose has a file chosen in the page, as a person does in the browser's own window.
func choose(tab *webtest.Tab, file string) {
	webtest.Ask[any](tab, `(() => {
		const all = new DataTransfer();
		all.items.add(new File([`+"`"+file+"`"+`], "list.csv", { type: "text/csv" }));
		document.querySelector("#file").files = all.files;
	})()`)
}

// TestAListInABrowser chooses a file, looks at each row's fate and takes all in; then a
// delivery note fills the grid beside what was scanned.
func TestAListInABrowser(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.learns()
	ctx := chromium(t)
	d.enter(ctx)
	tab := webtest.NewTab(t, ctx)
	look := func(name string) {
		for _, size := range []struct {
			width         int64
			theme, suffix string
		}{{1280, "light", "wide"}, {390, "light", "phone"}, {1280, "dark", "wide-dark"}, {390, "dark", "phone-dark"}} {
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(size.width, 900), theme(size.theme)))
			if size.width == 390 {
				assert.Empty(t, js[[]string](t, ctx, misfits), name)
			}
			if shots == "" {
				continue
			}
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(shots, name+"-"+size.suffix+".png"), png, 0o644))
		}
	}
	tab.Open(d.server.URL + "/clinic/import?kind=stock")
	look("import")
	choose(tab, strings.ReplaceAll(opening, "H2302", "")+"No such plasma,H2304,2028-04,950,2,north car,,\n")
	tab.Press("Show what becomes of each row")
	tab.Sees("#fates", "2 of 3 rows cannot be taken in")
	look("import-refused")
	choose(tab, opening+"Foal plasma,H 2207,2028-03,950,1,north car,,\n")
	tab.Press("Show what becomes of each row")
	tab.Sees("#fates", "3 rows would be saved")
	look("import-fates")
	tab.Press("Take 3 rows in")
	tab.Arrives("/clinic/stock")
	require.Equal(t, 3, d.bagsOf()["H2301"])

	tab.Open(d.server.URL + "/clinic/delivery")
	tab.Scan(gtin + "1728033110K3{GS}")
	tab.Sees("#delivery-said", "K3: 1 bag")
	tab.Press("Or let a file fill in the batches")
	choose(tab, "plasma,lot,expires,bags,mL\nFoal plasma,H2305,2028-05,4,950\nFoal plasma,H2306,2028-06,2,950\n")
	tab.Focus("scan")
	tab.Scan(gtin + "1728033110K3{GS}") // the file stays chosen
	tab.Sees("#delivery-said", "K3: 2 bags")
	tab.Press("Fill in from the file")
	tab.Sees(".said", "2 batches filled in")
	tab.Sees("#delivery-said", "8 bags in all")
	look("delivery-filled")
	tab.Choose("place", "north car")
	tab.Press("Take 8 bags")
	tab.Arrives("/clinic/labels")
	require.Equal(t, 4, d.bagsOf()["H2305"])
}
