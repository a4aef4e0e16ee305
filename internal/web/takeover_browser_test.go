//go:build browser

package web

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// TestACodeIsTypedByKeyboard opens the code on the first laptop's page by keys and
// types it into the second one's, with a slip that is named first.
func TestACodeIsTypedByKeyboard(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.clock.Advance(5 * time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	ctx := chromium(t)
	d.enter(ctx)
	require.NoError(t, chromedp.Do(ctx,
		chromedp.Navigate(d.server.URL+"/case/"+id+"/handover"), chromedp.Focus("#carry summary"), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible("#carry ol.typed li"),
	))
	rows, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll("#carry ol.typed li")].map(x => x.innerText)`))
	require.NoError(t, err)
	require.Len(t, rows, 4)
	d.shoot(ctx, "40-handover", "/case/"+id+"/handover")
	d.shoot(ctx, "41-stick", "/case/"+id+"/stick")

	s := d.second()
	s.enter(ctx)
	s.shoot(ctx, "42-takeover", "/takeover")
	require.NoError(t, chromedp.Do(ctx,
		chromedp.Navigate(s.server.URL+"/takeover"), chromedp.Focus("#row1"),
		chromedp.KeyEvent(rows[0]), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(rows[2]), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(rows[2]),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(rows[3]), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("Quiet Harbour"), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("star, near hind sock"), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible(".error"),
	))
	said, err := chromedp.Run(ctx, chromedp.Text(".error"))
	require.NoError(t, err)
	require.Contains(t, said, "row 2")
	_, err = chromedp.Run(ctx, chromedp.Evaluate[bool](`document.querySelector("#row2").select(), true`))
	require.NoError(t, err)
	require.NoError(t, chromedp.Do(ctx,
		chromedp.Focus("#row2"), chromedp.KeyEvent(rows[1]), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible("input[name=compared] ~ p button"),
	))
	if shots != "" {
		png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(shots, "43-compare.png"), png, 0o644))
	}
	require.NoError(t, chromedp.Do(ctx,
		chromedp.Focus("input[name=compared] ~ p button"), chromedp.KeyEvent(kb.Enter), chromedp.WaitVisible("#run"),
	))
	here, err := chromedp.Run(ctx, chromedp.Text("#run"))
	require.NoError(t, err)
	require.Contains(t, here, "This laptop has the case since")
	s.shoot(ctx, "44-run", "/case/"+id+"/run")
	s.shoot(ctx, "45-now", "/barn")
}
