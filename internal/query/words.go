package query

import (
	"fmt"

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

// Igg shows 0.01 g/L in the practice's unit; 1 g/L is 100 mg/dL.
func (b *ReadView) Igg(cg int32) string {
	if b.practice != nil && b.practice.IggUnit == pb.IggUnit_IGG_UNIT_MG_PER_DL {
		return fmt.Sprintf("%d mg/dL", cg)
	}
	return fmt.Sprintf("%d.%02d g/L", cg/100, cg%100)
}
