package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// besides are the settings of a practice that thinks in pounds, Fahrenheit, mg/dL and
// twelve hours.
var besides = []proto.Message{
	&pb.PracticeChanged{Reason: "as on our kits", IggUnit: pb.IggUnit_IGG_UNIT_MG_PER_DL},
	&pb.SettingsChanged{Name: "weight_beside_kg", Value: "lb"},
	&pb.SettingsChanged{Name: "temperature_beside_c", Value: "F"},
	&pb.SettingsChanged{Name: "clock_beside_24h", Value: "12h"},
}

// TestUnitsStandBesideThoseOfTheRecord: what is shown has both units, and the record's own
// first; without the settings it has that one alone.
func TestUnitsStandBesideThoseOfTheRecord(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	at := "/case/" + id
	d.clock.Advance(5 * time.Minute)
	d.fill(at+"/run", "temperature_dc", "38.4", "heart_rate", "100", "breathing_rate", "36", "given_ml", "19")
	for _, p := range []string{"/run", "/sheet", "/igg", "/dose"} {
		page := plainText(d.get(at + p))
		assert.NotRegexp(t, ` lb|°F|mg/dL|\d [ap]m`, page, p)
	}
	for _, m := range besides {
		d.write(m)
	}
	for p, wants := range map[string][]string{
		"/run":   {`\d kg \([\d.]+ lb\)`, `38\.4 °C \(101\.1 °F\)`, `\d\d:\d\d \(\d+:\d\d [ap]m\)`},
		"/sheet": {`38\.4 \(101\.1 °F\)`, `\d\.\d\d g/L \(\d+ mg/dL\)`},
		"/dose":  {`\d g/L \(\d+ mg/dL\)`},
	} {
		page := plainText(d.get(at + p))
		for _, want := range wants {
			assert.Regexp(t, want, page, p)
		}
	}
}

// TestPoundsAreSeenInKilogramsBeforeTheyAreSaved: 100 that was typed as pounds and meant
// as kilograms halves a dose. The first press shows both, the same again saves.
func TestPoundsAreSeenInKilogramsBeforeTheyAreSaved(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Slate")
	at := "/case/" + id + "/weigh"
	weights := func() (grams []int32) {
		for _, w := range d.caseOf(id).Weights {
			grams = append(grams, w.WeightG)
		}
		return grams
	}
	page := d.refused(at, "weight_g", "110 lb", "method", "scale")
	assert.Contains(t, plainText(page), "110 lb is 49.895 kg")
	assert.Contains(t, page, `value="110 lb"`, "what was typed stays")
	assert.Empty(t, weights(), "nothing is saved yet")
	d.refused(at, "weight_g", "120 lb", "method", "scale", "both.weight_g", "110 lb") // another number is shown anew
	assert.Contains(t, page, `name="both.weight_g" value="110 lb"`, "the page sends back what it showed")
	d.fill(at, "weight_g", "110 lb", "method", "scale", "both.weight_g", "110 lb")
	require.Equal(t, []int32{49_895}, weights())
	d.fill(at, "weight_g", "50", "method", "scale")
	require.Equal(t, []int32{49_895, 50_000}, weights(), "a bare number is in kg")
	assert.Contains(t, plainText(d.refused(at, "weight_g", "30000 lb")), "30000 lb", "a slip is named as it was typed")
	assert.Contains(t, plainText(d.refused(at, "weight_g", "11 stone")), "his field is in kg, not stone")
}

// TestDegreesAndHoursAreTypedEitherWay: no dose rests on them, so nothing is asked.
func TestDegreesAndHoursAreTypedEitherWay(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	d.clock.Advance(5 * time.Minute)
	d.fill("/case/"+id+"/run", "temperature_dc", "101.5 F", "heart_rate", "100", "breathing_rate", "36")
	assert.Regexp(t, `38\.6 °C`, plainText(d.get("/case/"+id+"/run")))
}
