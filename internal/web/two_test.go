package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestTwoPatientsOneVet: the list of what runs has both next times and both alarms,
// and every press says whose it is.
func TestTwoPatientsOneVet(t *testing.T) {
	d := newLaptop(t)
	first, _ := d.toRunning()
	require.NotContains(t, plainText(d.get("/case/"+first+"/run")), "Clamp shut F8 foal of", "one patient needs no name there")
	second := d.foalOf("Far Meadow")
	bags := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"}).Made
	d.starts(second, bags[0])
	d.clock.Advance(15 * time.Minute)
	for _, id := range []string{first, second} {
		d.fill("/case/"+id+"/run", "temperature_dc", "38.1", "heart_rate", "96", "breathing_rate", "34")
		d.clock.Advance(time.Minute)
		d.fill("/case/"+id+"/run", "temperature_dc", "39.4", "heart_rate", "98", "breathing_rate", "36")
	}
	page := d.get("/barn")
	for _, name := range []string{"foal of Quiet Harbour", "foal of Far Meadow"} {
		require.Contains(t, page, `data-alarm="An alarm stands: `+name)
		require.Contains(t, page, `data-alarm="Vitals are due: `+name)
	}
	for id, name := range map[string]string{first: "foal of Quiet Harbour", second: "foal of Far Meadow"} {
		text := plainText(d.get("/case/" + id + "/run"))
		for _, press := range []string{"Slower F7 ", "Clamp shut F8 ", "Stop and treat F9 "} {
			require.Contains(t, text, press+name)
		}
	}
}
