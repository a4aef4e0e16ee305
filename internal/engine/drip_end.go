package engine

import (
	"fmt"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// DripNote is what had run in at a time, read from the bag or from a scale.
type DripNote struct {
	At      time.Time
	GivenMl float64
}

// PredictEndInput asks when a running bag will be empty.
type PredictEndInput struct {
	VolumeMl           float64    // what is to be given in all
	Notes              []DripNote // at least two, in order of time
	WeightKg           *float64   // nil: no rate per kg
	CeilingMlPerKgPerH *float64
}

// PredictEndResult is the end at the rate between the last two notes. The early
// and late ends come from the error of reading a bag's scale.
type PredictEndResult struct {
	Basis
	MlPerH             float64
	MlPerKgPerH        float64 // 0 without a weight
	LeftMl             float64
	Early, EndAt, Late time.Time // zero: at that rate it never ends
}

const (
	readingErrorMl = 15.0 // either reading, ours: a bag's marks are 50 or 100 mL apart
	maxNotes       = 1000
	longestEnd     = 30 * 24 * time.Hour
)

var dripStopped = caution.Define("drip_not_running", caution.Caution,
	"Nothing ran in between %s and %s: look at the clamp, the catheter and the filter.")

// PredictEnd tells the end from the mL noted last. It refuses notes out of order
// and mL that fall. A rate over 40 mL/kg/h is cautioned, not refused: it happened.
func PredictEnd(in PredictEndInput) (PredictEndResult, error) {
	var r PredictEndResult
	c := &inputs{basis: &r.Basis}
	volume := c.one(boundsDripVolume, in.VolumeMl)
	weight := c.or(boundsWeight, in.WeightKg, 0)
	ceiling := c.or(boundsRateCeiling, in.CeilingMlPerKgPerH, cautiousCeiling)
	c.notes(in.Notes, volume)
	if c.err != nil {
		return PredictEndResult{}, c.err
	}
	from, last := in.Notes[len(in.Notes)-2], in.Notes[len(in.Notes)-1]
	hours, ran := last.At.Sub(from.At).Hours(), last.GivenMl-from.GivenMl
	r.MlPerH, r.LeftMl = ran/hours, max(volume-last.GivenMl, 0)
	r.step("%s mL in %s min = %s mL/h; %s mL left", ran, hours*60, r.MlPerH, r.LeftMl)
	if weight > 0 {
		r.MlPerKgPerH = r.MlPerH / weight
		if r.MlPerKgPerH > ceiling*(1+1e-9) {
			d := drip{weight: weight}
			r.caution(overCeiling.With(num(r.MlPerKgPerH), num(ceiling), d.litreInMinutes(30), d.litreInMinutes(20)))
		}
	}
	if ran == 0 {
		r.caution(dripStopped.With(from.At.Format("15:04"), last.At.Format("15:04")))
	}
	r.Early = endAt(last.At, r.LeftMl, hours, ran+2*readingErrorMl)
	r.EndAt = endAt(last.At, r.LeftMl, hours, ran)
	r.Late = endAt(last.At, r.LeftMl, hours, ran-2*readingErrorMl)
	r.step("each reading may be %s mL off (ours)", readingErrorMl)
	r.Versions = []string{Version}
	return r, nil
}

// endAt is the end at ran mL in so many hours; zero when that never comes.
func endAt(from time.Time, left, hours, ran float64) time.Time {
	if left == 0 {
		return from
	}
	if ran <= 0 || left/ran*hours > longestEnd.Hours() {
		return time.Time{}
	}
	return from.Add(time.Duration(left / ran * hours * float64(time.Hour))).Truncate(time.Second)
}

// notes checks the readings: rising times, mL that never fall, and no more than
// 1.5 times the volume, which is a slip (bags are overfilled, but not so).
func (c *inputs) notes(notes []DripNote, volume float64) {
	if len(notes) < 2 || len(notes) > maxNotes {
		c.refuse(refusal.New("notes", len(notes), fmt.Sprintf("2 to %d readings", maxNotes)))
		return
	}
	b := bounds{field: "given_ml", unit: "mL", hardHigh: 1.5 * volume, hint: "mL given, not mL left"}
	for i, n := range notes {
		c.one(b, n.GivenMl)
		c.moment("at", n.At)
		if i == 0 {
			continue
		}
		if !n.At.After(notes[i-1].At) {
			c.refuse(refusal.New("at", n.At.Format(time.RFC3339), "a time after the reading before it"))
		}
		if n.GivenMl < notes[i-1].GivenMl {
			c.refuse(refusal.New("given_ml", num(n.GivenMl), num(notes[i-1].GivenMl)+" mL or more, as read before").Because("mL left in the bag instead of mL given?"))
		}
	}
}
