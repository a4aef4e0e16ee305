package caseview

import "thawtrail/internal/engine"

// Drip is the accepted rate plan, reckoned again for one bag.
func (cv *View) Drip(b *Bag) (engine.DripResult, bool) {
	plan := cv.RatePlan()
	if plan == nil || plan.PlateauMlPerH == nil || cv.Kg == 0 || b == nil || cv.AcceptedMl(b) == 0 {
		return engine.DripResult{}, false
	}
	drops := 0.0
	if plan.DropsPerMl != nil {
		drops = float64(*plan.DropsPerMl)
	}
	in := cv.DripInput(float64(cv.AcceptedMl(b)), float64(*plan.PlateauMlPerH)/cv.Kg, drops)
	r, err := engine.Drip(in)
	return r, err == nil
}

// Slow is the slow start of the plan.
func (cv *View) Slow(b *Bag) (engine.DripStage, bool) {
	r, ok := cv.Drip(b)
	if !ok || len(r.Stages) == 0 {
		return engine.DripStage{}, false
	}
	return r.Stages[0], true
}

// DripInput is what the engine is asked for a volume at a plateau; no drops: zero.
func (cv *View) DripInput(volume, perKg, drops float64) engine.DripInput {
	in := engine.DripInput{VolumeMl: volume, PlateauMlPerKgPerH: &perKg, WeightKg: &cv.Kg, DropsPerMl: Above(drops), Adult: !cv.Foal}
	if p := cv.Protocol; p != nil && p.CeilingMlPerKgPerH != nil {
		in.CeilingMlPerKgPerH = new(float64(*p.CeilingMlPerKgPerH))
	}
	return in
}

// Above is a value that is known; nil when it is zero.
func Above(v float64) *float64 {
	if v <= 0 {
		return nil
	}
	return &v
}
