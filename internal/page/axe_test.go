//go:build browser && axe

package page

import (
	"context"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestNothingSeriousForHelpers lets axe look at every page, in both themes. It
// needs the file of axe-core named in THAWTRAIL_AXE, which is no part of the
// program.
func TestNothingSeriousForHelpers(t *testing.T) {
	file := os.Getenv("THAWTRAIL_AXE")
	if file == "" {
		t.Fatal("name the file of axe-core in THAWTRAIL_AXE")
	}
	axe, err := os.ReadFile(file)
	require.NoError(t, err)
	d := newDesk(t)
	id, bag := d.toRunning()
	d.fill("/case/"+id+"/run", "temperature_dc", "39.4", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	pages := append([]string{"/bag/" + bag, "/clinic/labels?bag=" + bag, "/clinic/load?place=" + d.place, "/clinic/count?place=" + d.place, "/nowhere",
		"/write/product_card", "/write/protocol_set", "/clinic/batch?product=Foal+plasma&batch=H-2207"}, allPages...)
	for slug := range caseSteps {
		pages = append(pages, "/case/"+id+"/"+slug)
	}
	ctx := chromium(t)
	d.enter(ctx)
	for _, dark := range []string{"light", "dark"} {
		require.NoError(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: dark}}})
			return err
		})))
		for _, p := range pages {
			if strings.Contains(p, ".svg") {
				continue
			}
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(360, 800), chromedp.Navigate(d.server.URL+p)))
			_, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(axe)+";0"))
			require.NoError(t, err)
			found, err := chromedp.Run(ctx, chromedp.Evaluate[string](`axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => r.violations.map(v => v.impact + " " + v.id + ": " + v.nodes.map(n => n.target + " " + n.failureSummary).join(" | ")).join("\n"))`, chromedp.EvalAwaitPromise))
			require.NoError(t, err)
			assert.Empty(t, found, "%s in %s", p, dark)
			wide, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth`))
			require.NoError(t, err)
			assert.LessOrEqual(t, wide, 360, "%s scrolls sideways", p)
		}
	}
}
