//go:build browser

package web

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/barn"
)

// outOfSight lists, in the page, what of these lies outside the screen or under a bar,
// without any scrolling. Each has to be there.
const outOfSight = `(selectors => {
  const bad = [], bar = document.querySelector(".stop"), low = bar ? bar.getBoundingClientRect().top : innerHeight;
  if (scrollY !== 0) bad.push("the page is scrolled by " + scrollY);
  for (const s of selectors) {
    const all = [...document.querySelectorAll(s)].filter(e => e.getClientRects().length > 0);
    if (!all.length) bad.push("there is no " + s);
    for (const e of all) {
      const b = e.getBoundingClientRect();
      if (b.top < 0 || b.bottom > low + 1 || b.right > innerWidth + 1) bad.push(s + " lies at " + Math.round(b.top) + " to " + Math.round(b.bottom) + " of " + Math.round(low));
    }
  }
  return bad;
})`

// TestFirstSightOfWhatRuns: on a phone and a laptop the numbers of the running sheet and
// the fields of the next look lie on the first screen, while all is calm and in an alarm.
func TestFirstSightOfWhatRuns(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.clock.Advance(6 * time.Minute)
	ctx := chromium(t)
	d.enter(ctx)
	fields := []string{"temperature_dc", "heart_rate", "breathing_rate", "given_ml"}
	look := func(what string) {
		for _, size := range [][2]int64{{390, 844}, {1280, 800}} {
			selectors := []string{".patient", "#run .gauge dd"}
			for _, f := range fields {
				selectors = append(selectors, "#form-vitals_noted [name="+f+"]")
			}
			require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(size[0], size[1]), chromedp.Navigate(d.server.URL+"/case/"+id+"/run"), chromedp.Sleep(100*time.Millisecond)))
			assert.Empty(t, js[[]string](t, ctx, outOfSight+"("+quoted(selectors)+")"), "%s at %d x %d", what, size[0], size[1])
		}
	}
	d.fill("/case/"+id+"/run", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34", "given_ml", "7")
	look("calm")
	d.clock.Advance(time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "39.4", "heart_rate", "126", "breathing_rate", "52", "given_ml", "9")
	look("in an alarm")
}

// firstField is the first field or press of a page's own form that a person sees.
const firstField = `(() => {
  const all = [...document.querySelectorAll("main form:not(.undo) :is(input:not([type=hidden]), select, textarea, button)")].filter(e => e.getClientRects().length > 0 && !e.closest(".stop, .switch, footer"));
  const bar = document.querySelector(".stop"), low = bar ? bar.getBoundingClientRect().top : innerHeight;
  return all.length ? Math.round(all[0].getBoundingClientRect().bottom - low) : null;
})()`

// TestFirstSightOfEveryStep: each page of a case shows its question and the first of its
// fields on the first screen of a phone; why is said below.
func TestFirstSightOfEveryStep(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	ctx := chromium(t)
	d.enter(ctx)
	for slug := range barn.CaseSteps {
		require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(d.server.URL+"/case/"+id+"/"+slug), chromedp.Sleep(50*time.Millisecond)))
		js[any](t, ctx, "scrollTo(0, 0)") // a field that has the focus was scrolled to
		if below := js[*int](t, ctx, firstField); below != nil {
			assert.LessOrEqual(t, *below, 0, "%s: its first field lies so many px below the first screen", slug)
		}
	}
}

// quoted is a list as the script writes it.
func quoted(all []string) string {
	out := "["
	for _, s := range all {
		out += fmt.Sprintf("%q,", s)
	}
	return out + "]"
}
