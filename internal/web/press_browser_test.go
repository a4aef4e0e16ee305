//go:build browser

package web

import (
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// gone ends the pages as a killed program does: nobody answers at their address.
func (d *laptop) gone() {
	_ = d.server.Listener.Close()
	d.server.CloseClientConnections()
}

// back answers again at the address that there was.
func (d *laptop) back() {
	d.t.Helper()
	var l net.Listener
	require.Eventually(d.t, func() (ok bool) {
		var err error
		l, err = net.Listen("tcp", strings.TrimPrefix(d.server.URL, "http://"))
		return err == nil
	}, 10*time.Second, 20*time.Millisecond)
	old := d.server
	d.server = &httptest.Server{Listener: l, Config: &http.Server{Handler: old.Config.Handler}}
	d.server.Start()
	d.t.Cleanup(func() { d.server.CloseClientConnections() })
}

// linesOf are the lines of a case that say so, in whatever case.
func (d *laptop) linesOf(id, what string) (rows []*pb.TimelineRow) {
	d.t.Helper()
	out, err := d.site.Cases.GetCase(d.t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(d.t, err)
	for _, r := range out.Timeline {
		if strings.Contains(strings.ToLower(r.What), what) {
			rows = append(rows, r)
		}
	}
	return rows
}

// watching has the running sheet open in a browser.
func (d *laptop) watching(t *testing.T, id string) *webtest.Tab {
	t.Helper()
	ctx := chromium(t)
	d.enter(ctx)
	tab := webtest.NewTab(t, ctx)
	tab.Open(d.server.URL + "/case/" + id + "/run")
	tab.Sees("#sound-said", "Sound") // the script has come
	return tab
}

// TestTheAgentStopsBeforeAPress: the clamp, vitals, and stop and treat with a drug, all
// pressed while nobody answers, stay on the page with what to do by hand, and become one
// record each, with the time of the press.
func TestTheAgentStopsBeforeAPress(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	tab := d.watching(t, id)
	run := tab.Path()
	require.Eventually(t, func() bool {
		return webtest.Ask[bool](tab, `(sessionStorage.getItem("thawtrail.treat") || "").includes("adrenaline")`)
	}, 10*time.Second, 50*time.Millisecond, "a copy of 'Stop and treat' is at hand")
	at := d.clock.Now()
	d.gone()
	tab.Key(kb.F8)
	tab.Sees(".kept", "Clamp by hand.")
	tab.Sees(".kept", "Noted here, sent when the laptop answers: 1")
	require.Equal(t, at.In(sydney(t)).Format("15:04")+" Clamp shut", webtest.Ask[string](tab, `document.querySelector(".kept li").textContent`))
	require.Equal(t, run, tab.Path(), "the press stays on the page")
	tab.Type("temperature_dc", "38.2")
	tab.Type("heart_rate", "98")
	tab.Type("breathing_rate", "36")
	press(tab, "#form-vitals_noted button.main")
	tab.Sees(".kept", "answers: 2")
	require.Contains(t, webtest.Ask[string](tab, `document.querySelector(".kept").textContent`), "Heart rate, /min 98", "what was typed is told")
	require.Empty(t, webtest.Ask[string](tab, `document.querySelector("#vitals_noted-heart_rate").value`), "the next look is another record")
	press(tab, "main a[href$='/handover']") // a link leads nowhere
	tab.Sees(".kept", "The laptop does not answer")
	require.Equal(t, run, tab.Path())
	tab.Key(kb.F9)
	tab.Sees("main", "0.5 mL")
	tab.Sees(".kept", "Disconnect the set")
	press(tab, ".doses button")
	tab.Sees(".kept", "answers: 4")

	d.clock.Advance(20 * time.Minute)
	d.back()
	tab.Misses(".kept", "Noted here")
	tab.Arrives("/treat")
	for what, of := range map[string]int{"clamp shut": 1, "vitals": 2, "mg/ml": 1} { // the baseline is one of the vitals
		rows := d.linesOf(id, what)
		require.Len(t, rows, of, what)
		is, err := time.Parse(time.RFC3339, rows[of-1].At)
		require.NoError(t, err)
		require.WithinDuration(t, at, is, time.Minute, "%s has the time of its press", what)
	}
	tab.Reload()
	tab.Sees("#sound-said", "Sound")
	require.Len(t, d.linesOf(id, "clamp shut"), 1)
}

// press presses a button that may lead nowhere.
func press(tab *webtest.Tab, button string) {
	webtest.Ask[any](tab, `document.querySelector("`+button+`").click(); null`)
}

// TestTheAgentStopsInTheMiddle: it ends after the record is saved and before it has said
// so, or with the press in its hands and nothing saved. It is one record either way.
func TestTheAgentStopsInTheMiddle(t *testing.T) {
	for name, saved := range map[string]bool{"saved, and not said": true, "heard, and not saved": false} {
		t.Run(name, func(t *testing.T) {
			d := newLaptop(t)
			id, _ := d.toRunning()
			var cut atomic.Bool
			whole := d.server.Config.Handler
			d.server.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/case/") && cut.Load() {
					if saved {
						whole.ServeHTTP(httptest.NewRecorder(), r)
					}
					panic(http.ErrAbortHandler)
				}
				whole.ServeHTTP(w, r)
			})
			tab := d.watching(t, id)
			at := d.clock.Now()
			cut.Store(true)
			tab.Key(kb.F8)
			tab.Sees(".kept", "Clamp by hand.")
			cut.Store(false)
			d.clock.Advance(4 * time.Minute)
			tab.Sees(".said", "aved")
			tab.Misses(".kept", "Noted here")
			rows := d.linesOf(id, "clamp shut")
			require.Len(t, rows, 1)
			is, err := time.Parse(time.RFC3339, rows[0].At)
			require.NoError(t, err)
			require.WithinDuration(t, at, is, time.Minute)

			cut.Store(true)
			tab.Type("heart_rate", "98")
			press(tab, "#form-vitals_noted button.main")
			tab.Sees(".kept", "Noted here")
			cut.Store(false)
			tab.Misses(".kept", "Noted here")
			require.Len(t, d.linesOf(id, "vitals"), 2, "the baseline, and this one once")
		})
	}
}

// TestWhatWasKeptAndDoesNotFitIsOpened: a press that is refused when it is sent comes
// back as its form, with what was typed and the time of the press.
func TestWhatWasKeptAndDoesNotFitIsOpened(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	tab := d.watching(t, id)
	at := d.clock.Now()
	d.gone()
	tab.Type("heart_rate", "ninety")
	press(tab, "#form-vitals_noted button.main")
	tab.Sees(".kept", "Noted here")
	d.clock.Advance(10 * time.Minute)
	d.back()
	tab.Sees(".kept", "Not saved")
	tab.PressIn(".kept", "Open it")
	tab.Sees(".refused", "Not saved")
	require.Equal(t, "ninety", webtest.Ask[string](tab, `document.activeElement.value`))
	tab.Misses(".kept", "ninety")
	tab.Type("heart_rate", "90")
	tab.PressIn("#form-vitals_noted", webtest.Ask[string](tab, `document.querySelector("#form-vitals_noted button.main").innerText`))
	tab.Sees("#vitals-so-far", "90")
	rows := d.linesOf(id, "vitals")
	is, err := time.Parse(time.RFC3339, rows[len(rows)-1].At)
	require.NoError(t, err)
	require.WithinDuration(t, at, is, time.Minute)
}

// TestTypingOutlivesALock: another tab locks while vitals and a weight are being typed;
// what was typed is there again.
func TestTypingOutlivesALock(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.share()
	tab := d.watching(t, id)
	d.unlockTab(tab.Context())
	weigh, lock := tab.Another(), tab.Another()
	tab.Open(d.server.URL + "/case/" + id + "/run")
	weigh.Open(d.server.URL + "/case/" + id + "/weigh")
	lock.Open(d.server.URL + "/barn")
	for _, one := range []*webtest.Tab{tab, weigh, lock} {
		one.Sees("#sound-said", "Sound")
	}
	tab.Type("heart_rate", "101")
	weigh.Type("weight_g", "51.5")
	weigh.Choose("method", "tape")
	press(lock, `form[action='/lock'] button`)
	tab.Sees(".who", "Locked")
	tab.Sees("#form-vitals_noted", "not saved yet")
	require.Equal(t, "101", webtest.Ask[string](tab, `document.querySelector("#vitals_noted-heart_rate").value`))
	weigh.Sees("h1", "Locked")
	require.NotContains(t, weigh.Text("main"), "51.5")
	webtest.Ask[any](weigh, `document.querySelector("#unlock-person").selectedIndex = 1; null`)
	weigh.Press("Go on without PIN")
	weigh.Arrives("/weigh")
	weigh.Sees("main form", "not saved yet")
	require.Equal(t, "51.5", webtest.Ask[string](weigh, `document.querySelector("#patient_weighed-weight_g").value`))
	require.Equal(t, "tape", webtest.Ask[string](weigh, `document.querySelector("[name=method]:checked").value`))
	weigh.PressIn("main", "Clear it")
	require.Empty(t, webtest.Ask[string](weigh, `document.querySelector("#patient_weighed-weight_g").value`))
}
