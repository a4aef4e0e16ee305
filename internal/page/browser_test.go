//go:build browser

// Tests in a real browser: go test -tags browser ./internal/page. They need
// Chromium from the system's packages.
package page

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// chromium starts the browser and gives the context of its first tab.
func chromium(t *testing.T) context.Context {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Do(ctx))
	return ctx
}

// enter signs the tab in.
func (d *desk) enter(ctx context.Context) {
	d.t.Helper()
	in, err := d.site.Entrance()
	require.NoError(d.t, err)
	require.NoError(d.t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+in[strings.Index(in, "/enter/"):])))
}

// shots is where pictures of pages go; empty: none are taken.
var shots = os.Getenv("THAWTRAIL_SHOTS")

// shoot takes a page in both widths.
func (d *desk) shoot(ctx context.Context, name, path string) {
	d.t.Helper()
	if shots == "" {
		return
	}
	for _, size := range []struct {
		width  int64
		suffix string
	}{{1280, "wide"}, {390, "phone"}} {
		require.NoError(d.t, chromedp.Do(ctx,
			chromedp.EmulateViewport(size.width, 900), chromedp.Navigate(d.server.URL+path), chromedp.Sleep(200*time.Millisecond),
		))
		png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		require.NoError(d.t, err)
		require.NoError(d.t, os.WriteFile(filepath.Join(shots, name+"-"+size.suffix+".png"), png, 0o644))
	}
}

// TestEveryPageIsPictured opens every page in a browser, and takes pictures when
// a folder is named.
func TestEveryPageIsPictured(t *testing.T) {
	d := newDesk(t)
	ctx := chromium(t)
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
	d.shoot(ctx, "05-thawing", at+"/thaw")
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
	d.fill("/clinic/hold", "product", "Foal plasma", "batch", "H2207", "reason", "maker called: two reactions in another practice")
	d.shoot(ctx, "50-takeover", at+"/run")
	d.shoot(ctx, "51-batches", "/clinic/batches")
}
