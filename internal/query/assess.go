package query

import (
	"slices"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// Assess asks the engine what the signs, the numbers and the IgG of a foal mean, as
// they stand at a moment. Of a patient that is no foal nothing is said.
func (b *ReadView) Assess(c *ledger.Case, at time.Time) (engine.AssessResult, error) {
	if !c.Foal() {
		return engine.AssessResult{}, nil
	}
	in := engine.AssessInput{Isoerythrolysis: Isoerythrolysis(c), IgGReading: engine.IgGReading{IgGUnknown: true}, AgeH: ageH(c, at.UnixMilli())}
	for i := range c.IggTests {
		t := &c.IggTests[i]
		if r, ok := Reading(t); ok && !t.Recheck {
			in.IgGReading = r
			if t.SampledMs != 0 {
				in.AgeH = ageH(c, t.SampledMs)
			}
		}
	}
	if g := c.Patient.GestationD; g != nil {
		in.GestationD = new(float64(*g))
	}
	for i := range c.Exams {
		look(&c.Exams[i], &in)
	}
	if n := len(c.Risk); n > 0 && c.Risk[n-1].YellowOrRedUrine == pb.Answer_ANSWER_YES {
		in.Signs = append(in.Signs, engine.YellowOrRedUrine)
	}
	if in.AgeH == nil {
		// The signs count at any age; what depends on the age is not shown then.
		in.AgeH = new(24.0)
	}
	return engine.Assess(in)
}

// look takes in one examination: signs add up, the last number counts.
func look(e *ledger.Exam, in *engine.AssessInput) {
	for _, s := range e.Signs {
		known := slices.ContainsFunc(engine.Signs(), func(k engine.Sign) bool { return k.Name == s })
		if known && !slices.Contains(in.Signs, s) {
			in.Signs = append(in.Signs, s)
		}
	}
	if e.TemperatureDc != nil {
		in.TemperatureC = new(float64(*e.TemperatureDc) / 10)
	}
	if e.PcvPm != nil {
		in.PCVPercent = new(float64(*e.PcvPm) / 10)
	}
	if e.LactateUmolPer != nil {
		in.LactateMmolPerL = new(float64(*e.LactateUmolPer) / 1000)
	}
	if e.GlucoseUmolPer != nil {
		in.GlucoseMmolPerL = new(float64(*e.GlucoseUmolPer) / 1000)
	}
}

// ageH is the age at a moment; nil when the birth is not told.
func ageH(c *ledger.Case, ms int64) *float64 {
	if c.Patient == nil {
		return nil
	}
	return hoursSince(c.Patient.BornMs, ms)
}

// hoursSince is an age; nil before the birth, and where nobody told of it.
func hoursSince(bornMs, ms int64) *float64 {
	if bornMs == 0 || ms < bornMs {
		return nil
	}
	return new(float64(ms-bornMs) / 3.6e6)
}

// Reading is an IgG test as the engine takes it: below a cut is the band from 0
// to the cut, and both ends are carried through. ok is false when the test
// leaves nothing to reckon with.
func Reading(t *ledger.IggTest) (r engine.IgGReading, ok bool) {
	switch {
	case t == nil:
		return r, false
	case t.IggCgPerL != nil:
		v := float64(*t.IggCgPerL) / 100
		return engine.IgGReading{IgGGPerL: &v}, true
	case t.BandLowCgPerL != nil && t.BandHighCgPerL != nil:
		return engine.IgGReading{IgGBand: &engine.Band{Low: float64(*t.BandLowCgPerL) / 100, High: float64(*t.BandHighCgPerL) / 100}}, true
	case t.CutCgPerL != nil && t.Side == pb.CutSide_CUT_SIDE_BELOW:
		return engine.IgGReading{IgGBand: &engine.Band{High: float64(*t.CutCgPerL) / 100}}, true
	case t.NeverSucked:
		return engine.IgGReading{IgGUnknown: true}, true
	}
	return r, false
}

// Isoerythrolysis says whether this dam's colostrum is not advised: any yes or
// unknown, or nobody asked.
func Isoerythrolysis(c *ledger.Case) (risk string) {
	n := len(c.Risk)
	if n == 0 {
		return engine.RiskUnknown
	}
	r := c.Risk[n-1]
	risk = engine.RiskNo
	for _, a := range []pb.Answer{r.JaundicedFoalBefore, r.PositiveScreen, r.DonkeySire, r.YellowOrRedUrine} {
		switch a {
		case pb.Answer_ANSWER_YES:
			return engine.RiskYes
		case pb.Answer_ANSWER_UNKNOWN:
			risk = engine.RiskUnknown
		}
	}
	return risk
}
