package engine

import (
	"fmt"
	"math"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// DoseInput asks how much plasma lifts a patient's IgG to a target.
type DoseInput struct {
	WeightKg            Range // Exactly(v) from a scale; a tape carries its range. No default.
	IgGReading                // IgG now
	TargetGPerL         *float64
	DonorIgGGPerL       *Range   // the label's least value for the lot; nil: only mL/kg is used
	AgeH                *float64 // at treatment; nil: newborn, with a note
	BagMl               *float64
	DistributionMlPerKg *float64 // must be given over 28 days of age
	ShareFound          *Range   // share of the given IgG found at 24 h
	Given24hMl          *float64 // plasma by vein in the last 24 h, all records
	OtherFluids24hMl    *float64 // other fluids by vein in the last 24 h: shown, not counted against the ceiling
	Bags                *int     // what would this many bags do?
	CeilingMlPerKg24h   *float64 // the practice's own ceiling of plasma in 24 h
}

// DoseResult is the mass balance with a constant distribution volume:
//
//	mL = (target - now) x distribution volume / (share found x donor IgG)
//
// Low and high ends take the inputs' ends that give the least and the most: of
// weight, IgG, share found, donor IgG and distribution volume, whose ends are the
// published mean less and more one published spread. With every input exact (a
// share without width and a distribution volume included) the three are equal.
// GiveNowMl is the smaller of VolumeMl.Mid and of what the ceiling leaves, in whole
// bags where the part left over is small; people are told whole mL, rounded down.
// Expected values are for the asked number of bags, else for all of the middle
// volume; they are nil without the donor's IgG.
//
// Against the one study with known grams (Liu et al., Am J Vet Res 1991;52:709-712;
// colostrum-deprived foals, starting IgG taken as 0, IgG 24 to 48 h after): after
// 20 g in six foals of 43.3 to 54.7 kg the mean rise of 4.25 g/L and the least and
// the most (3.50, 4.80) lie in the predicted 1.41 to 5.40; after 30 g in four foals
// of 36.5 to 47.5 kg the mean of 7.68 and the least and the most (6.40, 9.20) lie in
// 2.44 to 9.60: all ten foals are inside. Their authors found about all of the IgG
// at 94.5 mL/kg, so both groups lie above our middle, which comes from what a litre
// of plasma is said to do.
type DoseResult struct {
	Basis
	IgGLackingG         Range
	VolumeMl            Range
	VolumeMlPerKg       Range
	DistributionMlPerKg float64
	// DistributionRangeMlPerKg carries the published spread; without width where the
	// caller gave the volume.
	DistributionRangeMlPerKg Range

	Now               string // what may be given now, as a sentence to read aloud
	GiveNowMl         float64
	LaterMl           float64 // what the middle volume asks for beyond that
	RestOfBagMl       float64 // what GiveNowMl leaves in the last bag that is opened
	CeilingMl         float64 // of plasma in any 24 h; what was given counts against it
	Given24hMl        float64
	OtherFluids24hMl  float64
	Bags              *BagPlan
	ExpectedRiseGPerL *Range
	ExpectedIgGGPerL  *Range
}

// Defaults of the dose.
const (
	defaultTargetGPerL = 8.0

	usualMlPerKgLow, usualMlPerKgMid, usualMlPerKgHigh = 20.0, 30.0, 40.0
)

var defaultShareFound = Range{0.4, 0.7, 1.0}

const (
	srcTarget      = "target 8 g/L: SAEVA Proceedings 2016, p. 203 (Tizard, Veterinary Immunology, 10th ed, asks for 4 g/L at least)"
	srcShare       = "share found 0.4, 0.7, 1.0: ours, from '1 L gives 2 g/L' (SAEVA Proceedings 2016, pp. 75 and 191) against 2.9 g/L at full share with donor IgG 13.7 g/L (O'Rielly, Aust Vet J 1993)"
	srcFoalsInside = "of the published foals given known grams of IgG all 10 lie inside the predicted range: Liu et al., Am J Vet Res 1991;52:709-712"
	srcBalance     = "mass balance with a constant distribution volume (no foal text prints this formula)"
	srcMlPerKg     = "20 to 40 mL/kg: common textbook range, from memory; the middle is ours"
	srcNoRise      = "no rise in 5 of 23 foals: J Equine Vet Sci 2022, doi 10.1016/j.jevs.2022.104093"
	labelDecides   = "The product's label and the treating vet decide."
	donorMissing   = "without the donor's IgG there is no mass balance"
)

var (
	noRise = caution.Define("may_not_rise", caution.Note,
		"About 1 foal in 5 may not rise at all (5 of 23 did not): recheck IgG 12 to 24 h after the end. Never size a second dose from 'no rise': look for the wrong foal, the wrong test, sepsis or loss first.")
	donorIgGMissing = caution.Define("donor_igg_missing", caution.Caution,
		"The donor's IgG is not known: 20 to 40 mL/kg is used alone, and no rise can be predicted.")
	newbornWeight = caution.Define("newborn_weight_unusual", caution.Caution,
		"%s kg is unusual for a foal under 3 days (30 to 75 kg): pony, draft, or pounds?")
	atTarget = caution.Define("already_at_target", caution.Note,
		"IgG %s g/L is not below the target of %s g/L: by this sum nothing is lacking.")
)

// Hard and usual limits of the dose's inputs are ours.
var (
	boundsWeight = bounds{field: "weight_kg", unit: "kg", hardLow: 5, hardHigh: 1500,
		hint: "grams or pounds? 1 lb is 0.454 kg"}
	boundsTarget = bounds{field: "target_g_per_l", unit: "g/L", hardLow: 1, hardHigh: 25, likelyLow: 4, likelyHigh: 12,
		hint: "mg/dL? 8 g/L is 800 mg/dL"}
	boundsDonor = bounds{field: "donor_igg_g_per_l", unit: "g/L", hardLow: 2, hardHigh: 120, likelyLow: 8, likelyHigh: 35,
		hint: "mg/dL? 1370 mg/dL is 13.7 g/L"}
	boundsAge = bounds{field: "age_h", unit: "h", hardHigh: 40 * 365 * 24,
		hint: "hours, not days"}
	boundsBag = bounds{field: "bag_ml", unit: "mL", hardLow: 50, hardHigh: 5000, likelyLow: 180, likelyHigh: 2000,
		hint: "litres? 0.95 L is 950 mL"}
	boundsDistribution = bounds{field: "distribution_ml_per_kg", unit: "mL/kg", hardLow: 30, hardHigh: 400, likelyLow: 40, likelyHigh: 150,
		hint: "a share of body weight? 0.09 is 90 mL/kg"}
	boundsShare = bounds{field: "share_found", unit: "of 1", hardLow: 0.1, hardHigh: 1, likelyLow: 0.38, likelyHigh: 1,
		hint: "per cent? 70 % is 0.7"}
	boundsGiven24h = bounds{field: "given_24h_ml", unit: "mL", hardHigh: 200000, hint: "mL, not litres"}
	boundsOther24h = named(boundsGiven24h, "other_fluids_24h_ml")
)

// maxBagsAsked bounds the 'what would N bags do' question (ours).
const maxBagsAsked = 60

// dosing is a checked DoseInput with its defaults filled in.
type dosing struct {
	weight Range
	igg    Range
	target float64
	donor  *Range
	vd     Range
	share  Range
	given  float64 // plasma in 24 h
	other  float64 // other fluids in 24 h
	bag    float64 // 0: no bags wanted
	asked  *int
	limits dayLimits
}

// Dose computes the IgG lacking, the volume, whole bags and the expected IgG.
// It refuses an input out of its range and a patient over 28 days without a
// distribution volume.
func Dose(in DoseInput) (DoseResult, error) {
	var r DoseResult
	d, err := readDose(in, &r.Basis)
	if err != nil {
		return DoseResult{}, err
	}
	r.DistributionMlPerKg, r.DistributionRangeMlPerKg, r.CeilingMl = d.vd.Mid, d.vd, d.limits.ceiling
	r.Given24hMl, r.OtherFluids24hMl = d.given, d.other
	r.IgGLackingG = d.lacking()
	r.VolumeMlPerKg = d.mlPerKg()
	r.VolumeMl = perKg(r.VolumeMlPerKg, d.weight)
	d.explain(&r)

	planned := d.plan(&r)
	r.ExpectedRiseGPerL, r.ExpectedIgGGPerL = d.expect(planned)
	if r.ExpectedIgGGPerL != nil {
		r.step("%s mL: expected rise %s g/L, expected IgG %s g/L", planned, r.ExpectedRiseGPerL, r.ExpectedIgGGPerL)
	}
	d.judge(&r)
	if planned > 0 {
		r.caution(noRise.With())
		r.source(srcNoRise)
	}
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

// readDose checks the inputs in the order in which a person gives them.
func readDose(in DoseInput, b *Basis) (dosing, error) {
	c := &inputs{basis: b}
	d := dosing{
		weight: c.span(boundsWeight, in.WeightKg),
		igg:    c.igg(in.IgGReading),
		target: c.or(boundsTarget, in.TargetGPerL, defaultTargetGPerL),
		bag:    c.or(boundsBag, in.BagMl, 0),
		given:  c.or(boundsGiven24h, in.Given24hMl, 0),
		other:  c.or(boundsOther24h, in.OtherFluids24hMl, 0),
		share:  defaultShareFound,
		asked:  in.Bags,
	}
	if in.DonorIgGGPerL != nil {
		donor := c.span(boundsDonor, *in.DonorIgGGPerL)
		d.donor = &donor
	} else {
		b.caution(donorIgGMissing.With())
	}
	if in.ShareFound != nil {
		d.share = c.span(boundsShare, *in.ShareFound)
	}
	if in.Bags != nil && (*in.Bags < 0 || *in.Bags > maxBagsAsked) {
		c.refuse(refusal.New("bags", *in.Bags, fmt.Sprintf("0 to %d bags", maxBagsAsked)).Because("mL?"))
	}
	if in.Bags != nil && in.BagMl == nil {
		c.refuse(refusal.New("bag_ml", "not given", "the mL of one bag, to say what a number of bags does"))
	}
	d.vd = c.distribution(in.AgeH, in.DistributionMlPerKg)
	c.newborn(in.AgeH, d.weight)
	foal := in.AgeH == nil || *in.AgeH <= monthDays*24
	d.limits = c.dayLimits(d.weight, foal, in.CeilingMlPerKg24h)
	return d, c.err
}

// newborn asks about a weight that few newborn foals have. No age counts as newborn.
func (c *inputs) newborn(ageH *float64, w Range) {
	if ageH != nil && *ageH >= 72 {
		return
	}
	if w.Mid < 30 || w.Mid > 75 {
		c.basis.caution(newbornWeight.With(num(w.Mid)))
	}
}

// lacking is the IgG short of the target in grams; never negative.
func (d dosing) lacking() Range {
	g := func(weight, igg, vd float64) float64 {
		return math.Max(0, d.target-igg) * vd * weight / 1000
	}
	return Range{g(d.weight.Low, d.igg.High, d.vd.Low), g(d.weight.Mid, d.igg.Mid, d.vd.Mid), g(d.weight.High, d.igg.Low, d.vd.High)}
}

// mlPerKg is the volume for each kilogram: by mass balance, or without donor IgG
// the usual 20 to 40 where anything is lacking at all.
func (d dosing) mlPerKg() Range {
	if d.donor == nil {
		v := Range{}
		for _, e := range []struct {
			igg, ml float64
			to      *float64
		}{{d.igg.High, usualMlPerKgLow, &v.Low}, {d.igg.Mid, usualMlPerKgMid, &v.Mid}, {d.igg.Low, usualMlPerKgHigh, &v.High}} {
			if e.igg < d.target {
				*e.to = e.ml
			}
		}
		return v
	}
	ml := func(igg, vd, share, donor float64) float64 {
		return math.Max(0, d.target-igg) * vd / (share * donor)
	}
	return Range{
		ml(d.igg.High, d.vd.Low, d.share.High, d.donor.High),
		ml(d.igg.Mid, d.vd.Mid, d.share.Mid, d.donor.Mid),
		ml(d.igg.Low, d.vd.High, d.share.Low, d.donor.Low),
	}
}

// perKg multiplies end by end.
func perKg(v, weight Range) Range {
	return Range{v.Low * weight.Low, v.Mid * weight.Mid, v.High * weight.High}
}

// expect is the rise and the IgG after a volume; nil without donor IgG.
func (d dosing) expect(ml float64) (rise, igg *Range) {
	if d.donor == nil {
		return nil, nil
	}
	g := func(share, donor, vd, weight float64) float64 { return share * donor * ml / (vd * weight) }
	rise = &Range{
		g(d.share.Low, d.donor.Low, d.vd.High, d.weight.High),
		g(d.share.Mid, d.donor.Mid, d.vd.Mid, d.weight.Mid),
		g(d.share.High, d.donor.High, d.vd.Low, d.weight.Low),
	}
	return rise, &Range{d.igg.Low + rise.Low, d.igg.Mid + rise.Mid, d.igg.High + rise.High}
}

// explain writes the arithmetic of the volume.
func (d dosing) explain(r *DoseResult) {
	r.source(srcTarget, srcBalance)
	r.step("IgG lacking = (%s - %s) g/L x %s mL/kg x %s kg / 1000 = %s g",
		d.target, d.igg, d.vd, d.weight, r.IgGLackingG)
	if d.igg.Mid >= d.target {
		r.caution(atTarget.With(num(d.igg.Mid), num(d.target)))
	}
	if d.donor == nil {
		r.source(srcMlPerKg)
		r.step("%s: %s mL/kg x %s kg = %s mL", donorMissing, r.VolumeMlPerKg, d.weight, r.VolumeMl)
		return
	}
	r.source(srcShare, srcFoalsInside)
	r.step("volume = IgG lacking / (share found %s x donor IgG %s g/L) = %s mL = %s mL/kg",
		d.share, d.donor, r.VolumeMl, r.VolumeMlPerKg)
	if d.vd.Low < d.vd.High {
		r.step("by the teaching value of %s mL/kg the middle would be %s mL", teachingMlPerKg, r.VolumeMl.Mid*teachingMlPerKg/d.vd.Mid)
		r.source(srcTeaching)
	}
}
