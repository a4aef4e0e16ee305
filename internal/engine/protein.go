package engine

import (
	"math"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// ProteinInput asks how much plasma lifts an adult's total protein to a target.
type ProteinInput struct {
	WeightKg            float64
	TPGPerL             float64
	TargetTPGPerL       float64
	DonorTPGPerL        float64
	PlasmaVolumeMlPerKg *float64 // default 45
	SpaceFactor         *float64 // exactly this; nil: 2, shown from 1 to 3
}

// ProteinResult is (target - now) x plasma volume x space factor / donor protein.
// Albumin spreads over 2 to 3 times the plasma volume, so a sum on the plasma
// volume alone (factor 1, the low end) promises too much.
type ProteinResult struct {
	Basis
	VolumeMl      Range
	VolumeMlPerKg Range
}

const (
	defaultPlasmaMlPerKg = 45.0

	srcPlasmaVolume = "adult plasma volume 45 mL/kg: from memory"
	srcSpace        = "albumin and globulin space 2 to 3 x plasma volume: Carlson and Bruss (names from memory), in Clinical Biochemistry of Domestic Animals, 6th ed"
	srcDayAdult     = "a note over 20 mL/kg of plasma in 24 h, a caution over 40, a reason over 60: ours"
	srcProteinForm  = "mL = (target - now) x plasma volume x space factor / donor protein: textbook form, from memory"
)

var defaultSpaceFactor = Range{1, 2, 3}

var (
	proteinSpace = caution.Define("protein_effect_is_small", caution.Note,
		"Protein leaves the plasma: plasma lifts total protein little and not for long. 10 mL/kg gave healthy mares 6 g/L at most, for 48 h.")
	proteinNothing = caution.Define("protein_at_target", caution.Note,
		"Total protein %s g/L is not below the target of %s g/L.")
	proteinFoal = caution.Define("protein_sum_is_for_adults", caution.Caution,
		"%s kg: a foal? This sum and its 45 mL/kg are for adults; a newborn has about 94.5 mL/kg.")
)

const srcMcKenzie = "10 mL/kg in 6 healthy mares: McKenzie et al., Am J Vet Res 2016;77:708-714"

// foalUnderKg is where a default of 45 mL/kg becomes doubtful (ours).
const foalUnderKg = 150.0

var (
	boundsTP       = bounds{field: "tp_g_per_l", unit: "g/L", hardLow: 10, hardHigh: 130, likelyLow: 20, likelyHigh: 100, hint: "g/dL? 4 g/dL is 40 g/L"}
	boundsTargetTP = bounds{field: "target_tp_g_per_l", unit: "g/L", hardLow: 10, hardHigh: 100, likelyLow: 35, likelyHigh: 75, hint: "g/dL? 5 g/dL is 50 g/L"}
	boundsDonorTP  = bounds{field: "donor_tp_g_per_l", unit: "g/L", hardLow: 20, hardHigh: 130, likelyLow: 50, likelyHigh: 90, hint: "g/dL? 7 g/dL is 70 g/L"}
	boundsPlasma   = bounds{field: "plasma_volume_ml_per_kg", unit: "mL/kg", hardLow: 20, hardHigh: 130, likelyLow: 35, likelyHigh: 100, hint: "mL for each kg, not mL"}
	boundsSpaceOne = bounds{field: "space_factor", unit: "times", hardLow: 1, hardHigh: 5, likelyLow: 1, likelyHigh: 3, hint: "1 is the plasma volume alone"}
)

// Protein computes the volume of plasma for a protein target.
func Protein(in ProteinInput) (ProteinResult, error) {
	var r ProteinResult
	c := &inputs{basis: &r.Basis}
	weight, donor := c.one(boundsWeight, in.WeightKg), c.one(boundsDonorTP, in.DonorTPGPerL)
	now, target := c.one(boundsTP, in.TPGPerL), c.one(boundsTargetTP, in.TargetTPGPerL)
	plasma := c.or(boundsPlasma, in.PlasmaVolumeMlPerKg, defaultPlasmaMlPerKg)
	factor := defaultSpaceFactor
	if in.SpaceFactor != nil {
		factor = Exactly(c.one(boundsSpaceOne, *in.SpaceFactor))
	}
	if donor <= target {
		c.refuse(refusal.New("donor_tp_g_per_l", num(donor), "more than the target of "+num(target)+" g/L: plasma with less protein cannot lift to it").
			Because("g/dL? 7 g/dL is 70 g/L"))
	}
	limits := c.dayLimits(Exactly(weight), false, nil)
	if c.err != nil {
		return ProteinResult{}, c.err
	}
	each := math.Max(0, target-now) * plasma / donor
	r.VolumeMlPerKg = Range{each * factor.Low, each * factor.Mid, each * factor.High}
	r.VolumeMl = Range{r.VolumeMlPerKg.Low * weight, r.VolumeMlPerKg.Mid * weight, r.VolumeMlPerKg.High * weight}
	r.step("(%s - %s) g/L x %s mL/kg x space factor %s / %s g/L = %s mL/kg",
		target, now, plasma, factor, donor, r.VolumeMlPerKg)
	r.step("x %s kg = %s mL", weight, r.VolumeMl)
	r.judge(in, limits)
	r.Versions = []string{Version}
	return r, nil
}

// judge raises the cautions and names the sources.
func (r *ProteinResult) judge(in ProteinInput, limits dayLimits) {
	r.source(srcProteinForm, srcSpace, srcDayAdult)
	if in.PlasmaVolumeMlPerKg == nil {
		r.source(srcPlasmaVolume)
		if in.WeightKg < foalUnderKg {
			r.caution(proteinFoal.With(num(in.WeightKg)))
		}
	}
	if r.VolumeMl.High == 0 {
		r.caution(proteinNothing.With(num(in.TPGPerL), num(in.TargetTPGPerL)))
		return
	}
	r.caution(limits.overDay(r.VolumeMl.Mid)...)
	r.caution(proteinSpace.With())
	r.source(srcMcKenzie)
}
