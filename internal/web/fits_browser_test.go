//go:build browser

package web

import (
	"context"
	"html"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/say"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// misfits lists, in the page, what does not fit it: the page or a part of it that has
// to be scrolled sideways, text beyond its edges, and what lies under the bar of the
// stops at the end of the page or when it has the focus. Folds are opened first.
const misfits = `(() => {
  const bad = [], root = document.documentElement, wide = root.clientWidth, name = e => e.outerHTML.slice(0, 160).replace(/\s+/g, " ");
  for (const d of document.querySelectorAll("main details")) d.open = true;
  if (root.scrollWidth > wide) bad.push("the page is " + root.scrollWidth + " px wide");
  const shown = e => e.getClientRects().length > 0 && e.checkVisibility({visibilityProperty: true}) && !e.closest(".out, .skip, thead");
  for (const e of document.querySelectorAll("body *"))
    if (shown(e) && /auto|scroll/.test(getComputedStyle(e).overflowX) && !e.matches("textarea") && e.scrollWidth > e.clientWidth + 1) bad.push("is scrolled sideways: " + name(e));
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), lines = [];
  for (let t; t = texts.nextNode();) {
    if (!t.data.trim() || !shown(t.parentElement) || t.parentElement.closest(".stop, option, script")) continue;
    const r = document.createRange();
    r.selectNodeContents(t);
    lines.push([t, r]);
    for (const b of r.getClientRects()) if (b.right > wide + 1 || b.left < -1) { bad.push("beyond the edge: " + t.data.trim().slice(0, 80)); break; }
  }
  const bar = document.querySelector(".stop"), head = document.querySelector(".patient");
  if (!bar) return bad;
  const top = bar.getBoundingClientRect().top;
  for (const e of bar.querySelectorAll(".press")) if (e.getBoundingClientRect().right > wide) bad.push("a stop is cut off: " + name(e));
  scrollTo({top: root.scrollHeight, behavior: "instant"});
  for (const [t, r] of lines) for (const b of r.getClientRects()) if (b.bottom > top + 1) { bad.push("under the bar: " + t.data.trim().slice(0, 80)); break; }
  for (const e of document.querySelectorAll("main a, main button, main input:not([type=hidden]), main select, main textarea, main summary, footer a, footer button")) {
    if (!shown(e) || e.disabled) continue;
    scrollTo({top: 0, behavior: "instant"});
    e.focus();
    const b = e.getBoundingClientRect(), under = head && !head.contains(e) ? head.getBoundingClientRect().bottom : 0;
    const end = e.matches("textarea") ? b.top + 44 : b.bottom; // a browser brings the line into sight that is typed in
    if (document.activeElement === e && b.height < top - under && (end > top + 1 || b.top < under - 1)) bad.push("has the focus under a bar: " + name(e));
  }
  return bad;
})()`

// fits wants a page to fit a screen.
func (d *laptop) fits(ctx context.Context, path string, width, height int64) {
	d.t.Helper()
	require.NoError(d.t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromedp.Navigate(d.server.URL+path)), path)
	assert.Empty(d.t, js[[]string](d.t, ctx, misfits), "%s at %d px", path, width)
	if say.Spoken() == say.Pseudo {
		assert.Empty(d.t, unsaid(html.EscapeString(js[string](d.t, ctx, "document.body.innerText"))), "%s: not said by the catalogue", path)
	}
}

// TestEveryPageFits shows every page to a phone: nothing is cut off or has to be moved
// sideways, and nothing lies under the stops. What fits with words that are 40 % longer fits,
// so that a long run alone looks.
func TestEveryPageFits(t *testing.T) {
	if !testrun.Long() {
		t.Skip("see TestEveryPageFitsALongerLanguage")
	}
	newLaptop(t).everyPageFits(t)
}

// TestEveryPageFitsALongerLanguage shows them all in one whose words are 40 % longer, and
// has nothing in sight that the catalogue did not say: what the scripts show neither.
func TestEveryPageFitsALongerLanguage(t *testing.T) {
	inPseudo(t)
	newLaptop(t).everyPageFits(t)
}

func (d *laptop) everyPageFits(t *testing.T) {
	t.Helper()
	id, bag := d.toRunning()
	at := "/case/" + id
	d.clock.Advance(15 * time.Minute)
	d.fill(at+"/run", "temperature_dc", "39.4", "heart_rate", "126", "breathing_rate", "52", "given_ml", "19")
	long := d.foal("Her Serene Highness of the Upper Meadows Beyond the Long Wood")
	ctx := chromiumFor(t, 9*time.Minute)
	d.enter(ctx)
	for _, p := range append(d.everyPage(id, bag), "/case/"+long+"/look", "/case/"+long+"/sheet") {
		if !strings.Contains(p, ".svg") && !strings.Contains(p, "/csv/") {
			d.fits(ctx, p, 390, 844)
		}
	}
	second := d.foalOf("Far Meadow")
	bags := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"}).Made
	d.starts(second, bags[0])
	d.fits(ctx, "/case/"+second+"/run", 390, 844)
	for _, p := range []string{"/barn", "/clinic/stock", at + "/run", at + "/treat", at + "/dose", at + "/rate?plateau=20&drops=15", at + "/sheet", "/owner"} {
		d.fits(ctx, p, 320, 568)
	}
}
