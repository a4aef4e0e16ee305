//go:build browser

package web

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
)

// sleep is a laptop whose lid was shut: both clocks, the program's and the
// browser's, are that much later, and no timer ran meanwhile.
func (d *laptop) sleep(tab *webtest.Tab, gap time.Duration) {
	d.clock.Advance(gap)
	webtest.Ask[any](tab, fmt.Sprintf(`window.realNow = window.realNow || Date.now, window.slept = (window.slept || 0) + %d, Date.now = () => realNow() + slept, null`, gap.Milliseconds()))
}

// countBeeps counts every tone that the page starts, from now on.
const countBeeps = `window.beeps = 0; const begin = OscillatorNode.prototype.start; OscillatorNode.prototype.start = function (...a) { window.beeps++; return begin.apply(this, a); }; null`

// TestAlarmsSoundAndTimesAreTrue tests the sound, sleeps past the next vitals, and
// wants the alarm seen and heard, the elapsed time true, and both again after a
// reload. What was heard stays quiet; the next alarm sounds anew.
func TestAlarmsSoundAndTimesAreTrue(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	tab := webtest.NewTab(t, chromium(t))
	d.enter(tab.Context())
	tab.Open(d.server.URL + "/case/" + id + "/run")
	tab.Sees("#sound-said", "not tested on this page yet")
	webtest.Ask[any](tab, countBeeps)
	tab.PressIn("footer", "Test the alarm sound")
	tab.Sees("#sound-said", "Sound was tested")
	require.Equal(t, 3, webtest.Ask[int](tab, "window.beeps"), "three tones")
	require.Empty(t, tab.Text("#alarm"), "nothing is due yet")

	d.sleep(tab, 47*time.Minute)
	tab.Sees("#run time[data-since]", "47 min")
	tab.Sees("#alarm", "Vitals are due")
	require.GreaterOrEqual(t, webtest.Ask[int](tab, "window.beeps"), 6, "it is heard")

	// A reload: the alarm is there before anything is pressed, and the time is true
	// though this browser's clock now lags behind the program's.
	tab.Reload()
	tab.Sees("#alarm", "Vitals are due")
	tab.Sees("#run time[data-since]", "47 min")
	tab.PressIn("#alarm", "Heard")
	tab.Misses("#alarm", "Vitals are due")

	// Vitals are noted; the next ones are a new alarm.
	tab.Type("temperature_dc", "38.2")
	tab.Type("heart_rate", "99")
	tab.Type("breathing_rate", "35")
	tab.Press("Note vitals")
	tab.Misses("#alarm", "Vitals are due")
	webtest.Ask[any](tab, countBeeps)
	tab.PressIn("footer", "Test the alarm sound")
	d.sleep(tab, 16*time.Minute)
	tab.Sees("#alarm", "Vitals are due")
	tab.Sees("#run time[data-since]", "1 h 03 min")
	require.GreaterOrEqual(t, webtest.Ask[int](tab, "window.beeps"), 6)
}

// TestTheStepUpShowsWhenItsTimeComes leaves the page alone at the end of the slow
// start: what may be done from then on shows by itself.
func TestTheStepUpShowsWhenItsTimeComes(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.clock.Advance(15 * time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "19")
	tab := webtest.NewTab(t, chromium(t))
	d.enter(tab.Context())
	tab.Open(d.server.URL + "/case/" + id + "/run")
	tab.Sees("#run", "No step up: the slow start goes on until")
	d.sleep(tab, 6*time.Minute)
	tab.Sees("#run", "Step up to 1000 mL/h")
}
