package engine

import (
	"fmt"

	"thawtrail/internal/caution"
)

// Limits of two numbers of the blood that plasma does not mend.
const (
	referBelowPCV     = 15.0 // %
	referAboveLactate = 5.5  // mmol/L, the lower of two proposed cut-points

	srcPCV     = "red cells below a PCV of 12 % in neonatal isoerythrolysis: Munroe (ed), Equine Clinical Medicine, Surgery and Reproduction, 2nd ed, p. 1336; 15 %, the cautious one, in a weak source"
	srcLactate = "lactate at admission above 5.5 mmol/L as a proposed cut-point: Wotman et al., J Vet Intern Med 2009 (225 foals, abstract); above 6.9 in Henderson et al., J Vet Emerg Crit Care 2008;18:496-502 (112 foals to 96 h, abstract); it is higher in the first hours"
)

var lowPCV = caution.Define("plasma_holds_no_red_cells", caution.Caution,
	"PCV of %s %%: plasma holds no red cells and thins what is left. Think of isoerythrolysis and of bleeding, and ask about washed cells or whole blood, with a crossmatch.")

var (
	boundsPCV = bounds{field: "pcv_percent", unit: "%", hardLow: 2, hardHigh: 80, likelyLow: 8, likelyHigh: 65,
		hint: "L/L? 0.35 is 35 %"}
	boundsLactate = bounds{field: "lactate_mmol_per_l", unit: "mmol/L", hardHigh: 40, likelyHigh: 20,
		hint: "mg/dL? divide by 9"}
)

// measured checks a number that may be absent.
func (c *inputs) measured(b bounds, v *float64) *float64 {
	if v == nil {
		return nil
	}
	n := c.one(b, *v)
	return &n
}

// referBlood adds a low PCV and a high lactate to the reasons.
func (r *AssessResult) referBlood(pcv, lactate *float64) {
	if pcv != nil {
		r.source(srcPCV)
		if *pcv < referBelowPCV {
			r.Because = append(r.Because, fmt.Sprintf("packed cell volume %s %% (below 15)", num(*pcv)))
			r.caution(lowPCV.With(num(*pcv)))
		}
	}
	if lactate != nil {
		r.source(srcLactate)
		if *lactate > referAboveLactate {
			r.Because = append(r.Because, fmt.Sprintf("lactate %s mmol/L (above 5.5)", num(*lactate)))
		}
	}
}
