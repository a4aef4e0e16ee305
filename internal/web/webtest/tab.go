package webtest

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

const (
	lookEvery  = 20 * time.Millisecond
	lookAtMost = time.Minute // a busy machine is slow, and a page asks anew every 20 s or so; one that never comes fails
)

// Chromium starts the system's browser and gives the context of its first tab. A
// test that hangs ends after the given time, and says where. The browser goes past
// its warning about the certificates that the person has compared.
func Chromium(tb testing.TB, within time.Duration, compared ...*x509.Certificate) context.Context {
	tb.Helper()
	return chromium(tb, within, compared)
}

func chromium(tb testing.TB, within time.Duration, compared []*x509.Certificate, more ...chromedp.ExecAllocatorOption) context.Context {
	tb.Helper()
	var keys []string
	for _, c := range compared {
		sum := sha256.Sum256(c.RawSubjectPublicKeyInfo)
		keys = append(keys, base64.StdEncoding.EncodeToString(sum[:]))
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("ignore-certificate-errors-spki-list", strings.Join(keys, ",")))
	opts = append(opts, more...)
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	tb.Cleanup(stop)
	tab, cancel := chromedp.NewContext(alloc)
	tb.Cleanup(cancel)
	ctx, end := context.WithTimeout(tab, within)
	tb.Cleanup(end)
	require.NoError(tb, chromedp.Do(ctx))
	return ctx
}

// Tab is one page open in front of a person.
type Tab struct {
	tb  testing.TB
	ctx context.Context
	// Done is what the person did in this tab so far.
	Done Effort
	hand hand
}

// NewTab is the tab of a context.
func NewTab(tb testing.TB, ctx context.Context) *Tab { return &Tab{tb: tb, ctx: ctx} }

// Another opens one more tab in the same browser, with the same cookies.
func (t *Tab) Another() *Tab {
	t.tb.Helper()
	ctx, cancel := chromedp.NewContext(t.ctx)
	t.tb.Cleanup(cancel)
	require.NoError(t.tb, chromedp.Do(ctx))
	return NewTab(t.tb, ctx)
}

// Effort counts what is done in this tab by a task of its own.
func (t *Tab) Effort(task func()) Effort {
	before := t.Done
	t.Done, t.hand = Effort{}, nowhere
	task()
	e := t.Done
	t.Done = before
	return e
}

// Context is what browser commands of a test's own run in.
func (t *Tab) Context() context.Context { return t.ctx }

// Open goes to an address, as by a bookmark.
func (t *Tab) Open(url string) {
	t.tb.Helper()
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.Navigate(url)), url)
}

// Reload loads the page again.
func (t *Tab) Reload() {
	t.tb.Helper()
	require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.Reload()))
}

// Back and Forward are the browser's own buttons. They wait for the address and
// not for a load: a browser keeps pages ready and may not load them again.
func (t *Tab) Back(path string)    { t.travel("history.back()", path) }
func (t *Tab) Forward(path string) { t.travel("history.forward()", path) }

func (t *Tab) travel(script, path string) {
	t.tb.Helper()
	Ask[any](t, script+"; null")
	t.wait("the address ends with "+path, func() (bool, string) {
		at, err := ask[string](t, "location.pathname")
		return err == nil && strings.HasSuffix(at, path), at
	})
}

// Ask asks the page something.
func Ask[T any](t *Tab, expression string) T {
	t.tb.Helper()
	v, err := ask[T](t, expression)
	require.NoError(t.tb, err, expression)
	return v
}

func ask[T any](t *Tab, expression string) (T, error) {
	return chromedp.Run(t.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// wait looks until something is so.
func (t *Tab) wait(what string, look func() (ok bool, seen string)) {
	t.tb.Helper()
	seen := ""
	for end := time.Now().Add(lookAtMost); time.Now().Before(end); {
		var ok bool
		if ok, seen = look(); ok {
			return
		}
		require.NoError(t.tb, chromedp.Do(t.ctx, chromedp.Sleep(lookEvery)), what)
	}
	t.tb.Fatalf("waited in vain: %s\nat %s there is: %s\nthe page: %s", what, t.Path(), seen, t.text("body"))
}

// Path is the address of the page without the site.
func (t *Tab) Path() string {
	at, err := ask[string](t, "location.pathname + location.search")
	if err != nil {
		return err.Error()
	}
	return at
}

// Sees waits until a part of the page shows a text.
func (t *Tab) Sees(selector, text string) {
	t.tb.Helper()
	t.wait(fmt.Sprintf("%q in %s", text, selector), func() (bool, string) {
		said := t.text(selector)
		return strings.Contains(said, text), said
	})
}

// Misses waits until no part of the page that fits shows a text.
func (t *Tab) Misses(selector, text string) {
	t.tb.Helper()
	t.wait(fmt.Sprintf("no %q in %s", text, selector), func() (bool, string) {
		said := t.text(selector)
		return !strings.Contains(said, text), said
	})
}

// Text is what the parts of the page that fit show now.
func (t *Tab) Text(selector string) string { return t.text(selector) }

// text is empty until the page is whole: before that it cannot be worked with. It
// leaves out what is hidden: the innerText of a hidden element is its text.
func (t *Tab) text(selector string) string {
	said, err := ask[string](t, seen+`document.readyState !== "complete" ? "" : [...document.querySelectorAll(`+strconv.Quote(selector)+`)].filter(seen).map(e => e.innerText).join("\n").replace(/\s+/g, " ").trim()`)
	if err != nil { // between two pages
		return ""
	}
	return said
}

// Arrives waits until the address is one whose path ends so.
func (t *Tab) Arrives(end string) {
	t.tb.Helper()
	t.wait("the address ends with "+end, func() (bool, string) {
		at, err := ask[string](t, `document.readyState === "complete" ? location.pathname : ""`)
		return err == nil && strings.HasSuffix(at, end), t.text("main")
	})
}
