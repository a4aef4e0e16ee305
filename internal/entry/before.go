package entry

import (
	"slices"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	offerReferral = caution.Define("offer_referral_now", caution.Caution,
		"Offer referral now: %s. Note the answer with 'referral'.")
	colostrumAgainst = caution.Define("colostrum_before_look", caution.Note,
		"The foal was not examined yet: cold, in colic or unable to swallow, nothing goes in by mouth without the vet.")
)

// checkExam tells when an examination, with all that is known, is a reason to offer
// referral.
func (b view) checkExam(p *pb.PatientExamined, at time.Time) ([]caution.Raised, error) {
	out, err := b.assess(p.Case, at, func(c *ledger.Case) {
		c.Exams = append(slices.Clone(c.Exams), ledger.Exam{
			Signs: p.Signs, TemperatureDc: p.TemperatureDc, HeartRate: p.HeartRate, BreathingRate: p.BreathingRate, GlucoseUmolPer: p.GlucoseUmolPerL,
			PcvPm: p.PcvPm, LactateUmolPer: p.LactateUmolPerL,
		})
	})
	if err != nil {
		return nil, err
	}
	outside, err := b.outsidePublished(p, at)
	return append(out, outside...), err
}

// checkRisk does the same for the questions of isoerythrolysis.
func (b view) checkRisk(p *pb.RiskAsked, at time.Time) ([]caution.Raised, error) {
	return b.assess(p.Case, at, func(c *ledger.Case) {
		c.Risk = append(slices.Clone(c.Risk), ledger.Risk{
			JaundicedFoalBefore: p.JaundicedFoalBefore, PositiveScreen: p.PositiveScreen, DonkeySire: p.DonkeySire, YellowOrRedUrine: p.YellowOrRedUrine,
		})
	})
}

// assess judges a case as it will be with what is entered; what is folded stays as it
// is.
func (b view) assess(id string, at time.Time, with func(*ledger.Case)) ([]caution.Raised, error) {
	known, err := b.Case(id)
	if err != nil || known == nil || !known.Foal() {
		return nil, err
	}
	c := *known
	with(&c)
	r, err := b.Assess(&c, at)
	if err != nil || !r.OfferReferral {
		return nil, nil // what the engine refuses is shown where it is reckoned: the look is a fact
	}
	out := []caution.Raised{offerReferral.With(strings.Join(r.Because, ", "))}
	for _, k := range r.Cautions {
		if k.Code == "plasma_holds_no_red_cells" {
			out = append(out, k)
		}
	}
	return out, nil
}

// checkColostrum tells what speaks against colostrum: nobody has looked at the foal, or
// what was found.
func (b view) checkColostrum(p *pb.ColostrumGiven, at time.Time) (out []caution.Raised, err error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || !c.Foal() {
		return nil, err
	}
	if len(c.Exams) == 0 {
		return []caution.Raised{colostrumAgainst.With()}, nil
	}
	r, err := b.Assess(c, at)
	if err != nil {
		return nil, nil
	}
	for _, k := range r.Cautions {
		if k.Code == "nothing_by_mouth" || k.Code == "isoerythrolysis_risk" {
			out = append(out, k)
		}
	}
	return out, nil
}
