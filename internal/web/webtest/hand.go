package webtest

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// hand is where the person's hand is.
type hand int

const (
	nowhere hand = iota
	mouse
	keys
)

// reached is an element that was found under the pointer.
type reached struct {
	Found  bool
	X, Y   float64
	Leads  bool   // to another page
	Hidden string // what lies over it
}

// reach scrolls to an element and says where it can be pressed. The expression
// gives the element or nothing. An element that is covered cannot be pressed: a
// bar that stands over a button is a fault of the page.
const reach = `(() => {
  const e = %s;
  if (!e) return {Found: false};
  e.scrollIntoView({block: "center", behavior: "instant"});
  const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2, top = document.elementFromPoint(x, y);
  const covered = top && !(e === top || e.contains(top) || top.contains(e) || top.closest("label") === e.closest("label") && e.closest("label"));
  const leads = e.matches("a[href]:not([download])") || e.matches("button:not([type=button])") && !!e.form;
  if (leads) window.pressedHere = true;
  return {Found: true, X: x, Y: y, Leads: leads, Hidden: covered ? top.outerHTML.slice(0, 200) : ""};
})()`

// seen says, in the page, that an element takes room and is in no closed fold.
const seen = `var seen = e => e.getClientRects().length > 0 && e.checkVisibility({visibilityProperty: true});`

// pressable finds what a person would press by its words: the whole words first,
// else how they begin.
func pressable(within, words string) string {
	return `(() => { ` + seen + ` const want = ` + strconv.Quote(words) + `, all = [...document.querySelectorAll(` + strconv.Quote(within) + `)].flatMap(w => [...w.querySelectorAll("a, button, summary")]).filter(seen);
  const said = e => e.innerText.replace(/\s+/g, " ").trim();
  return all.find(e => said(e) === want) || all.find(e => said(e).startsWith(want)); })()`
}

// named finds a field of the page's content by its name.
func named(name string) string {
	return `(() => { ` + seen + ` return [...document.querySelectorAll("main [name=` + name + `]")].find(e => e.type !== "hidden" && seen(e)); })()`
}

// Press presses the link or button with these words, and waits for the page that
// follows, if one does.
func (t *Tab) Press(words string) { t.tb.Helper(); t.PressIn("body", words) }

// PressIn presses within a part of the page.
func (t *Tab) PressIn(within, words string) {
	t.tb.Helper()
	at := t.reach(fmt.Sprintf("a button %q in %s", words, within), pressable(within, words))
	t.click(at, 1)
}

// DoublePress presses twice, as an impatient thumb does.
func (t *Tab) DoublePress(words string) {
	t.tb.Helper()
	at := t.reach(fmt.Sprintf("a button %q", words), pressable("body", words))
	t.click(at, 2)
}

// PressFor presses a button in a part of the page and lets it go some time later.
func (t *Tab) PressFor(within, words string, held time.Duration) {
	t.tb.Helper()
	at := t.reach(fmt.Sprintf("a button %q in %s", words, within), pressable(within, words))
	began := time.Now()
	t.Done.point(&t.hand)
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.MouseEvent(chromedp.MousePressed, at.X, at.Y, chromedp.ButtonLeft, chromedp.ClickCount(1))))
	time.Sleep(held)
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.MouseEvent(chromedp.MouseReleased, at.X, at.Y, chromedp.ButtonLeft, chromedp.ClickCount(1))))
	if at.Leads {
		t.next(began)
	}
}

func (t *Tab) reach(what, expression string) reached {
	t.tb.Helper()
	var at reached
	t.wait(what, func() (bool, string) {
		var err error
		at, err = ask[reached](t, fmt.Sprintf(reach, expression))
		return err == nil && at.Found && at.Hidden == "", t.text("main") + at.Hidden
	})
	return at
}

func (t *Tab) click(at reached, times int) {
	t.tb.Helper()
	began := time.Now()
	t.Done.point(&t.hand)
	for range times {
		require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.MouseClickXY(at.X, at.Y)))
	}
	if at.Leads {
		t.next(began)
	}
}

// next waits for the page that follows.
func (t *Tab) next(began time.Time) {
	t.tb.Helper()
	t.wait("the next page", func() (bool, string) {
		ready, err := ask[bool](t, `!window.pressedHere && document.readyState === "complete"`)
		return err == nil && ready, t.text("main")
	})
	t.Done.load(time.Since(began))
}

// Key presses one key, of the keyboard's own names, wherever the focus is.
func (t *Tab) Key(key string) {
	t.tb.Helper()
	t.Done.key(&t.hand)
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.KeyEvent(key)))
}

// KeyOn presses a key that leads to another page.
func (t *Tab) KeyOn(key string) {
	t.tb.Helper()
	Ask[any](t, "window.pressedHere = true; null")
	began := time.Now()
	t.Key(key)
	t.next(began)
}

// Type clears a field and types words or a number into it.
func (t *Tab) Type(name, text string) { t.tb.Helper(); t.typeInto(name, text, false) }

// TypeCode types what is read letter by letter: a bag number or a batch.
func (t *Tab) TypeCode(name, text string) { t.tb.Helper(); t.typeInto(name, text, true) }

// Focus presses into a field, unless the page has put the focus there. A page that moves
// under the hand is pressed again.
func (t *Tab) Focus(name string) {
	t.tb.Helper()
	t.wait("the focus in a field "+name, func() (bool, string) {
		if Ask[bool](t, `document.activeElement === `+named(name)) {
			return true, ""
		}
		at := t.reach("a field "+name, named(name))
		at.Leads = false
		t.click(at, 1)
		return Ask[bool](t, `document.activeElement === `+named(name)), t.text("main")
	})
}

// Scan reads a code with a scanner that types: one press of its button, all characters
// and Enter at once, wherever the focus is.
func (t *Tab) Scan(code string) {
	t.tb.Helper()
	t.Done.point(&t.hand)
	t.wait("the page's script", func() (bool, string) {
		ready, err := ask[bool](t, `!!window.thawtrail`)
		return err == nil && ready, t.text("main")
	})
	// The library would send Enter's character apart from its key, to whatever field the
	// page has gone on to by then; no keyboard does that.
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.KeyEvent(code), chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		for _, way := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
			if _, err := cdp.Call(ctx, tab, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: way, Key: "Enter", Code: "Enter", WindowsVirtualKeyCode: 13}); err != nil {
				return err
			}
		}
		return nil
	})))
}

func (t *Tab) typeInto(name, text string, code bool) {
	t.tb.Helper()
	t.reach("a field "+name, named(name))
	t.Focus(name)
	if Ask[bool](t, `document.activeElement.value !== "" && (document.activeElement.select(), true)`) {
		t.Done.Keys++ // all of it is marked, the first key replaces it
	}
	t.Done.typed(&t.hand, text, code)
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.KeyEvent(text)))
	require.Equal(t.tb, text, Ask[string](t, named(name)+".value"), "typed into %s", name)
}

// Choose picks one of a few choices, or of a longer list, by its words.
func (t *Tab) Choose(name, words string) {
	t.tb.Helper()
	if Ask[bool](t, named(name)+`?.tagName === "SELECT"`) {
		t.pick(named(name), name, words)
		return
	}
	expression := `[...document.querySelectorAll("label.choice")].find(l => l.querySelector("input[name=` + name + `]") && l.innerText.replace(/\s+/g, " ").trim().startsWith(` + strconv.Quote(words) + `))`
	at := t.reach(fmt.Sprintf("%q among the choices of %s", words, name), expression)
	if !Ask[bool](t, `(`+expression+`).querySelector("input").checked`) {
		t.click(at, 1)
	}
	require.True(t.tb, Ask[bool](t, `(`+expression+`).querySelector("input").checked`), "%s: %s", name, words)
}

// WriteAs says in the head of the page who writes from this browser.
func (t *Tab) WriteAs(person string) {
	t.tb.Helper()
	t.click(t.reach("who writes here", `document.querySelector(".switch summary")`), 1)
	t.pick(`document.querySelector("#person")`, "of people", person)
	t.PressIn(".who", "Set")
}

// pick goes down a list with the keyboard until the words stand there. It counts
// as two points: on the list and on the line.
func (t *Tab) pick(list, name, words string) {
	t.tb.Helper()
	t.reach("a list "+name, list)
	t.Done.point(&t.hand)
	t.Done.point(&t.hand)
	Ask[any](t, list+`.focus(); null`)
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.KeyEvent(kb.Home)))
	for range Ask[int](t, list+".options.length") {
		if strings.HasPrefix(Ask[string](t, list+".selectedOptions[0].text"), words) {
			return
		}
		require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.KeyEvent(kb.ArrowDown)))
	}
	require.Equal(t.tb, words, Ask[string](t, list+".selectedOptions[0].text"), "in the list %s", name)
}

// Tick ticks boxes by their names.
func (t *Tab) Tick(names ...string) {
	t.tb.Helper()
	for _, name := range names {
		at := t.reach("a box "+name, named(name)+"?.closest(\"label\")")
		if !Ask[bool](t, named(name)+".checked") {
			t.click(at, 1)
		}
		require.True(t.tb, Ask[bool](t, named(name)+".checked"), name)
	}
}
