package entry

import (
	"strconv"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	drugOverCard = caution.Define("drug_over_card", caution.Caution,
		"%s mg/kg of %s is %s times the card's %s. Read dose and strength again: tenfold slips are known.")
	drugUnderCard = caution.Define("drug_under_card", caution.Note,
		"%s mg/kg of %s is less than half of the card's %s.")
	drugUnweighed = caution.Define("drug_without_weight", caution.Note,
		"No mg/kg of %s: the weight is not known here.")
	drugStrength = caution.Define("drug_strength_differs", caution.Caution,
		"The card reckons %s at %s; this is %s mg/mL. Read the bottle again.")
)

// checkDrug reckons mL and mg/kg of a dose that was given and compares it with the
// practice's card. Nothing stops it: treating comes first.
func (b view) checkDrug(e *pending, p *pb.DrugGiven) ([]caution.Raised, error) {
	e.dose = ", " + thousandths(int64(p.DoseUg)) + " mg = " + thousandths(int64(p.DoseUg)*1000/max(int64(p.StrengthUgPerMl), 1)) + " mL"
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	n := len(c.Weights)
	if n == 0 || c.Weights[n-1].WeightG <= 0 {
		return []caution.Raised{drugUnweighed.With(p.Drug)}, nil
	}
	ngPerKg := int64(p.DoseUg) * 1_000_000 / int64(c.Weights[n-1].WeightG)
	e.dose += ", " + millionths(ngPerKg) + " mg/kg"
	protocol, err := b.Protocol(c)
	if err != nil || protocol == nil {
		return nil, err
	}
	for _, line := range query.CardDoses(protocol.ReactionCard) {
		if strings.EqualFold(line.Drug, strings.TrimSpace(p.Drug)) {
			e.dose += " (the card: " + line.Dose + ")"
			return besideCard(p, line, ngPerKg), nil
		}
	}
	return nil, nil
}

// besideCard tells a dose or a strength that is not the card's. A tenth more or less is
// rounding (ours).
func besideCard(p *pb.DrugGiven, line query.CardDose, ngPerKg int64) (out []caution.Raised) {
	switch {
	case ngPerKg*10 > line.NgPerKg*11:
		out = append(out, drugOverCard.With(millionths(ngPerKg), p.Drug, thousandths(ngPerKg*10/line.NgPerKg*100), line.Dose))
	case ngPerKg*2 < line.NgPerKg:
		out = append(out, drugUnderCard.With(millionths(ngPerKg), p.Drug, line.Dose))
	}
	if int64(p.StrengthUgPerMl)*1000 != line.NgPerMl {
		out = append(out, drugStrength.With(p.Drug, line.Strength, thousandths(int64(p.StrengthUgPerMl))))
	}
	return out
}

// thousandths and millionths print whole parts of a unit as a decimal.
func thousandths(n int64) string { return strconv.FormatFloat(float64(n)/1e3, 'f', -1, 64) }
func millionths(n int64) string  { return strconv.FormatFloat(float64(n/100)/1e4, 'f', -1, 64) }
