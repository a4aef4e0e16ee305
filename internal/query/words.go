package query

import (
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// PatientLine says who the patient is: it stands wherever a case is shown.
func (b *ReadView) PatientLine(id string) string {
	c, err := b.Case(id)
	if err != nil || c == nil || c.Patient == nil {
		return "case " + id
	}
	return wording.Patient(c.Patient)
}

// IggTest is a test's value, band or side of a cut, in the practice's unit.
func (b *ReadView) IggTest(t *ledger.IggTest) string {
	switch {
	case t.IggCgPerL != nil:
		return b.Igg(*t.IggCgPerL)
	case t.BandLowCgPerL != nil && t.BandHighCgPerL != nil:
		return b.Igg(*t.BandLowCgPerL) + " to " + b.Igg(*t.BandHighCgPerL)
	case t.CutCgPerL != nil && t.Side != pb.CutSide_CUT_SIDE_UNSPECIFIED:
		return wording.Enum(t.Side) + " the cut of " + b.Igg(*t.CutCgPerL)
	case t.NeverSucked:
		return "not tested: never sucked"
	}
	return ""
}
