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
	in := cv.DripInput(b, float64(cv.AcceptedMl(b)), float64(*plan.PlateauMlPerH)/cv.Kg, drops)
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

// DripInput is what the engine is asked for a volume of a bag at a plateau, with the
// limits of its label and of the practice's protocol; no drops: zero.
func (cv *View) DripInput(b *Bag, volume, perKg, drops float64) engine.DripInput {
	in := engine.DripInput{VolumeMl: volume, PlateauMlPerKgPerH: &perKg, WeightKg: &cv.Kg, DropsPerMl: Above(drops), Adult: !cv.Foal, Foal: cv.Foal}
	if b != nil && b.Card != nil {
		in.LabelMlPerKgPerH = scaled(b.Card.RateMaxMlPerKgPerH, 1)
	}
	if p := cv.Protocol; p != nil {
		in.CeilingMlPerKgPerH = scaled(p.CeilingMlPerKgPerH, 1)
		in.StartMlPerKg, in.StartMin = scaled(p.StartUlPerKg, 1000), scaled(p.StartMin, 1)
	}
	return in
}

// scaled is a stored number as the engine takes it; nil for none.
func scaled(v *int32, by float64) *float64 {
	if v == nil {
		return nil
	}
	return new(float64(*v) / by)
}

// Above is a value that is known; nil when it is zero.
func Above(v float64) *float64 {
	if v <= 0 {
		return nil
	}
	return &v
}
