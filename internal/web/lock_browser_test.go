//go:build browser

package web

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// unlockTab goes on without a PIN in a tab.
func (d *laptop) unlockTab(ctx context.Context) {
	d.t.Helper()
	require.NoError(d.t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+"/locked")))
	if js[bool](d.t, ctx, `!!document.querySelector("#unlock-person")`) {
		js[any](d.t, ctx, `document.querySelector("#unlock-person").selectedIndex = 1; document.querySelector("button[value=without]").click(); 0`)
		until(d.t, ctx, ".said", "with no proof")
	}
}

// TestOneLockForAllTabs locks two tabs at once, clamps with a key on the locked page,
// tries a wrong PIN, goes on without, and signs.
func TestOneLockForAllTabs(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	_, reed := d.share()
	one := chromium(t)
	d.enter(one)
	two, stop := chromedp.NewContext(one)
	defer stop()
	require.NoError(t, chromedp.Do(one, chromedp.Navigate(d.server.URL+"/clinic/stock")))
	require.NoError(t, chromedp.Do(two, chromedp.Navigate(d.server.URL+"/case/"+id+"/run")))
	press := func(ctx context.Context, selector string) {
		t.Helper()
		require.NoError(t, chromedp.Do(ctx, chromedp.Click(selector)))
	}

	press(two, `.switch summary`)
	press(two, `form[action="/lock"] button`)
	until(t, two, "h1", "Locked")
	until(t, one, "h1", "Locked")
	require.NotContains(t, js[string](t, one, `document.body.innerText`), "north car")
	require.NoError(t, chromedp.Do(one, chromedp.Reload()))
	until(t, one, "h1", "Locked")
	require.Equal(t, "status", js[string](t, one, `document.querySelector("h1").nextElementSibling.getAttribute("role")`), "heard by a screen reader")

	// The keyboard comes to what stops before it comes to what asks.
	order := js[string](t, one, `[...document.querySelectorAll("main a, main button, main select, main input:not([type=hidden])")].filter(e => e.tabIndex >= 0 && e.offsetParent).map(e => e.dataset.key || e.name || e.innerText).join(" ")`)
	require.Regexp(t, `^F7 F8 F9 .*unlock\.person unlock\.pin unlock\.do unlock\.do`, order)

	// F8, also while somebody types a PIN.
	until(t, one, "#sound-said", "Sound") // the script has come
	require.NoError(t, chromedp.Do(one, chromedp.SendKeys("#unlock-pin", "47"), chromedp.KeyEvent(kb.F8)))
	until(t, one, "h1", "Clamp shut")
	until(t, one, "main", "The clamp is shut")
	until(t, two, "#watched", "Clamp is shut")
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Equal(t, "clamp shut", out.Case.State)
	require.Equal(t, "nobody named", out.Timeline[len(out.Timeline)-1].Who)

	// F9 from the same page, and back to unlock: a wrong PIN, then on without one.
	until(t, one, "#sound-said", "Sound")
	require.NoError(t, chromedp.Do(one, chromedp.KeyEvent(kb.F9)))
	until(t, one, "h1", "Stop and treat")
	until(t, one, "#sound-said", "Sound")
	press(one, `a[href="/locked#unlock"]`)
	until(t, one, "#unlock-person", "J. Reed") // the page has come to where it asks who it is
	js[any](t, one, `document.querySelector("#unlock-person").value = "`+reed+`"`)
	require.NoError(t, chromedp.Do(one, chromedp.SendKeys("#unlock-pin", "0000"), chromedp.KeyEvent(kb.Enter)))
	until(t, one, ".error", "It stays locked: this is not the PIN.")
	require.Empty(t, js[string](t, one, `document.querySelector("#unlock-pin").value`))
	press(one, `button[value="without"]`)
	until(t, one, ".said", "J. Reed writes here from now on, with no proof")
	until(t, two, ".who summary", "no proof")

	press(one, `a[href="/sign"]`)
	until(t, one, "h1", "Not signed yet")
	press(one, `input[name="record"]`)
	press(one, `form[action=""] button, form:not([action]) button.main`)
	until(t, one, ".said", "1 entry signed")
	require.False(t, js[bool](t, one, `!!document.querySelector("#unsigned")`))

	// Left alone, both lock by themselves: the heartbeat of their streams finds it.
	d.post("/who", "person", reed, "pin", reedPIN) // another browser, so that sessions are told
	d.clock.Advance(pins.Idle + time.Second)
	require.NoError(t, chromedp.Do(one, chromedp.Reload()))
	until(t, one, "h1", "Locked")
	until(t, two, ".who", "Locked")
}

// TestTwoPatientsOnOneLockedPage: a key goes to each in turn, and presses neither.
func TestTwoPatientsOnOneLockedPage(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.share()
	second := d.foalOf("Far Meadow")
	bags := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"}).Made
	d.starts(second, bags[0])
	tab := chromium(t)
	d.enter(tab)
	require.NoError(t, chromedp.Do(tab, chromedp.Navigate(d.server.URL+"/barn"), chromedp.Click(`.switch summary`), chromedp.Click(`form[action="/lock"] button`)))
	until(t, tab, "h1", "Locked")
	until(t, tab, "#sound-said", "Sound") // the script has come
	before := d.replica.Store.Records()
	seen := map[string]bool{}
	for range 2 {
		require.NoError(t, chromedp.Do(tab, chromedp.KeyEvent(kb.F8)))
		seen[js[string](t, tab, `document.activeElement.form.getAttribute("action")`)] = true
	}
	require.Equal(t, map[string]bool{"/case/" + id + "/clamp": true, "/case/" + second + "/clamp": true}, seen)
	require.Equal(t, before, d.replica.Store.Records())
	require.NoError(t, chromedp.Do(tab, chromedp.KeyEvent(kb.Enter)))
	until(t, tab, "main", "The clamp is shut")
	require.Equal(t, before+1, d.replica.Store.Records())
}

// TestLockIsPictured takes the pages of PINs and of the lock, in both themes.
func TestLockIsPictured(t *testing.T) {
	if shots == "" {
		t.Skip("no folder is named for pictures")
	}
	d := newLaptop(t)
	id, bag := d.toRunning()
	alder, _ := d.share()
	d.clock.Advance(6 * time.Minute)
	ctx := chromium(t)
	d.enter(ctx)
	d.clock.Advance(time.Minute)
	take := func(name, path, script string) {
		t.Helper()
		for _, theme := range []string{"light", "dark"} {
			for _, width := range []int64{390, 1440} {
				require.NoError(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
					_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}})
					return err
				}), chromedp.EmulateViewport(width, 900), chromedp.Navigate(d.server.URL+path), chromedp.Sleep(200*time.Millisecond)))
				if script != "" {
					js[any](t, ctx, script)
				}
				png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				require.NoError(t, err)
				file := filepath.Join(shots, name+"-"+theme+"-"+map[int64]string{390: "phone", 1440: "wide"}[width]+".png")
				require.NoError(t, os.WriteFile(file, png, 0o644))
			}
		}
	}
	take("60-who", "/barn", `document.querySelector("details.switch").open = true`)
	take("61-act", "/write/bag_discarded?bag="+bag, "")
	js[any](t, ctx, `document.cookie`)
	take("62-pin", "/pin", "")
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(d.server.URL+"/barn"), chromedp.Click(`.switch summary`), chromedp.Click(`form[action="/lock"] button`)))
	take("63-locked", "/locked", "")
	take("64-locked-run", "/case/"+id+"/run", "")
	d.post("/lock")
	d.post("/case/" + id + "/clamp")
	d.fill("/case/"+id+"/run", "heart_rate", "99")
	take("65-locked-clamped", "/locked", "")
	js[any](t, ctx, `document.querySelector("#unlock-person").value = "`+alder+`"; document.querySelector("button[value=without]").click(); 0`)
	until(t, ctx, ".said", "M. Alder")
	take("66-sign", "/sign", "")
	d.unlock("M. Alder", alderPIN)
	d.fill("/write/bag_discarded", "bag", bag, "reason", "broken")
	take("67-unproven", "/owner/unproven", "")
}
