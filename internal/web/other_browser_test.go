//go:build browser

package web

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/webtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestTheOtherPatientIsNotForgotten sits with one patient while the other one's vitals
// fall due and then raise an alarm: each is said in one line on this patient's page,
// names the other, and leads there. Nothing of this patient's is said so.
func TestTheOtherPatientIsNotForgotten(t *testing.T) {
	d := newLaptop(t)
	first, _ := d.toRunning()
	second := d.foalOf("Far Meadow")
	bags := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"}).Made
	d.starts(second, bags[0])
	note := func(id, temperature string) {
		d.fill("/case/"+id+"/run", "temperature_dc", temperature, "heart_rate", "96", "breathing_rate", "34")
	}
	note(first, "38.1")
	note(second, "38.1")
	tab := webtest.NewTab(t, chromium(t))
	d.enter(tab.Context())
	require.NoError(t, chromedp.Do(tab.Context(), chromedp.EmulateViewport(390, 844)))
	tab.Open(d.server.URL + "/case/" + first + "/run")
	tab.Sees("main", "Running sheet")
	require.Empty(t, tab.Text("#others"), "nothing is due")

	// Time passes, and nobody saves anything: the line comes by itself.
	d.sleep(tab, 20*time.Minute)
	tab.Sees("#others", "foal of Far Meadow: vitals due")
	tab.Sees("#alarm", "Vitals are due: foal of Far Meadow")
	require.NotContains(t, tab.Text("#others"), "Quiet Harbour")
	note(second, "39.6")
	tab.Sees("#others", "foal of Far Meadow: alarm: Temp.")
	require.Less(t, webtest.Ask[float64](tab, `document.querySelector("#others p").getBoundingClientRect().height`), 56.0, "one line on a phone")
	require.Less(t, webtest.Ask[float64](tab, `document.querySelector("#others p").getBoundingClientRect().bottom`), 700.0, "in the first sight")
	tab.PressIn("#others", "foal of Far Meadow")
	tab.Arrives("/case/" + second + "/run")
	tab.Sees("#others", "foal of Quiet Harbour: vitals due")
	require.NotContains(t, tab.Text("#others"), "Far Meadow")
}
