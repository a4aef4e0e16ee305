package engine

import (
	"fmt"
	"math"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// DoseInput asks how much plasma lifts a patient's IgG to a target, or, for
// another indication, how much some mL/kg are.
type DoseInput struct {
	WeightKg            Range // Exactly(v) from a scale; a tape carries its range. No default.
	IgGReading                // IgG now; not needed where the plan goes by mL/kg
	TargetGPerL         *float64
	DonorIgGGPerL       *Range    // of the chosen batch
	LabelIgGGPerL       *float64  // the label's least, where the batch's own is not known; neither: only mL/kg is used
	Chosen              []DoseBag // the bags in the order in which they would hang, instead of BagMl and DonorIgGGPerL
	AgeH                *float64  // at treatment; nil: newborn, with a note
	BagMl               *float64
	DistributionMlPerKg *float64  // must be given over 28 days of age
	ShareFound          *Range    // share of the given IgG found at 24 h
	OwnShare            *OwnShare // the practice's own rechecks; they move the middle of the share, where ShareFound is not given
	Given24hMl          *float64  // plasma by vein in the last 24 h, all records
	OtherFluids24hMl    *float64  // other fluids by vein in the last 24 h: shown, not counted against the ceiling
	Bags                *int      // what would this many bags do?
	CeilingMlPerKg24h   *float64  // the practice's own ceiling of plasma in 24 h
	Indication          string    // one of those that Indications lists; empty: failure of transfer
	MlPerKg             *float64  // plans by mL/kg; nil: by IgG, or the usual mL/kg of another indication
	Reason              string    // why by mL/kg: for failure of transfer, and for 'other'
}

// DoseBag is a bag with its own batch's IgG; nil: the label's least.
type DoseBag struct {
	VolumeMl float64
	IgGGPerL *float64
}

// DoseResult is the mass balance with a constant distribution volume:
//
//	mL = (target - now) x distribution volume / (share found x donor IgG)
//
// Low and high ends take the inputs' ends that give the least and the most: of
// weight, IgG, share found, donor IgG and distribution volume, whose ends are the
// published mean less and more one published spread. With every input exact (a
// share without width and a distribution volume included) the three are equal.
// Bags of two batches carry two values: each counts with its own, in their order,
// and what is needed beyond them counts as the last.
//
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

	// adultFromKg: over this a newborn's values are never taken for a patient of
	// unknown age (ours).
	adultFromKg = 120.0
)

var defaultShareFound = Range{0.4, 0.7, 1.0}

const (
	srcTarget      = "target 8 g/L: SAEVA Proceedings 2016, p. 203 (Tizard, Veterinary Immunology, 10th ed, asks for 4 g/L at least)"
	srcShare       = "share found 0.4, 0.7, 1.0: ours, from '1 L gives 2 g/L' (SAEVA Proceedings 2016, pp. 75 and 191) against 2.9 g/L at full share with donor IgG 13.7 g/L (O'Rielly, Aust Vet J 1993)"
	srcFoalsInside = "of the published foals given known grams of IgG all 10 lie inside the predicted range: Liu et al., Am J Vet Res 1991;52:709-712 (title and pages from memory)"
	srcBalance     = "mass balance with a constant distribution volume (no foal text prints this formula)"
	srcMlPerKg     = "20 to 40 mL/kg: common textbook range, from memory; the middle is ours"
	srcNoRise      = "no rise in 5 of 23 foals (exact 95 % interval 7.5 to 43.7 %): J Equine Vet Sci 2022, doi 10.1016/j.jevs.2022.104093"
	labelDecides   = "The product's label and the treating vet decide."
	donorMissing   = "without the donor's IgG there is no mass balance"
)

var (
	noRise = caution.Define("may_not_rise", caution.Note,
		"About 1 foal in 5 may not rise at all (5 of 23 did not; 95 %% interval 7.5 to 43.7 %%): recheck IgG 12 to 24 h after the end. Never size a second dose from 'no rise': look for the wrong foal, the wrong test, sepsis or loss first.")
	donorIgGMissing = caution.Define("donor_igg_missing", caution.Caution,
		"The donor's IgG is not known: 20 to 40 mL/kg is used alone, and no rise can be predicted.")
	newbornWeight = caution.Define("newborn_weight_unusual", caution.Caution,
		"%s kg is unusual for a foal under 3 days (30 to 75 kg): pony, draft, or pounds?")
	atTarget = caution.Define("already_at_target", caution.Note,
		"IgG %s g/L is not below the target of %s g/L: by this sum nothing is lacking.")
	donorIsLabels = caution.Define("donor_igg_is_label_least", caution.Note,
		"The batch's own IgG is not known: the label's least, %s g/L, is used. A batch may hold more.")
	colostrumCounts = caution.Define("colostrum_still_counts", caution.Note,
		"At %s h colostrum by mouth still counts (1 to 2 L in portions), where nothing forbids it by mouth and the dam's is not at risk. Best before 6 to 8 h, little after 12 h.")
)

const srcColostrum = "colostrum 1 to 2 L while it is absorbed, plasma by vein after 12 to 16 h: Estell and Magdesian, Use of Fresh and Frozen Blood Products in Foals"

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
	boundsGiven24h  = bounds{field: "given_24h_ml", unit: "mL", hardHigh: 200000, hint: "mL, not litres"}
	boundsChosenBag = named(boundsBag, "bag")
	boundsChosenIgG = named(boundsDonor, "bag")
	boundsLabelIgG  = named(boundsDonor, "label_igg_g_per_l")
	boundsOther24h  = named(boundsGiven24h, "other_fluids_24h_ml")
)

// maxBagsAsked bounds the 'what would N bags do' question (ours).
const maxBagsAsked = 60

// dosing is a checked DoseInput with its defaults filled in.
type dosing struct {
	weight  Range
	perKg   *Range // the plan goes by these mL/kg; nil: by IgG
	igg     *Range // nil: not known, and the plan goes by mL/kg
	target  float64
	supply  []supplyBag // in order, the last again and again
	donor   bool        // the IgG of all of supply is known
	counted bool        // in bags
	vd      *Range      // nil: not known, and the plan goes by mL/kg
	share   Range
	given   float64 // plasma in 24 h
	other   float64 // other fluids in 24 h
	asked   *int
	limits  dayLimits
}

// supplyBag is a bag with the IgG that counts for it.
type supplyBag struct {
	ml  float64
	igg Range
}

// Dose computes the IgG lacking, the volume, what may be given now, bags and the
// expected IgG. It refuses an input out of its range, and, where the plan goes by
// IgG, a patient over 28 days without a distribution volume and one over 120 kg
// without an age.
func Dose(in DoseInput) (DoseResult, error) {
	var r DoseResult
	d, err := readDose(in, &r.Basis)
	if err != nil {
		return DoseResult{}, err
	}
	r.CeilingMl, r.Given24hMl, r.OtherFluids24hMl = d.limits.ceiling, d.given, d.other
	if d.vd != nil {
		r.DistributionMlPerKg, r.DistributionRangeMlPerKg = d.vd.Mid, *d.vd
	}
	d.volume(&r)
	d.explain(in, &r)

	planned := d.plan(&r)
	r.ExpectedRiseGPerL, r.ExpectedIgGGPerL = d.expect(planned)
	if r.ExpectedIgGGPerL != nil {
		r.step("%s mL: expected rise %s g/L, expected IgG %s g/L", planned, r.ExpectedRiseGPerL, r.ExpectedIgGGPerL)
	}
	d.judge(&r)
	d.warn(in, planned, &r)
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

// warn says what IgG does not say, and what still helps.
func (d dosing) warn(in DoseInput, planned float64, r *DoseResult) {
	if planned > 0 && d.perKg == nil {
		r.caution(noRise.With())
		r.source(srcNoRise)
	}
	if d.perKg == nil && d.igg.Mid < adequateGPerL {
		r.caution(iggNotAlone.With())
		r.source(srcsIgGAndIllness...)
	}
	if in.AgeH == nil || *in.AgeH >= provisionalUntilH || d.perKg != nil {
		return
	}
	r.caution(colostrumCounts.With(num(*in.AgeH)))
	r.source(srcColostrum, srcWindow)
	if !in.IgGUnknown {
		r.caution(iggProvisional.With(num(*in.AgeH)))
	}
}

// readDose checks the inputs in the order in which a person gives them.
func readDose(in DoseInput, b *Basis) (dosing, error) {
	c := &inputs{basis: b}
	d := dosing{
		weight: c.span(boundsWeight, in.WeightKg),
		perKg:  c.indication(in),
		target: c.or(boundsTarget, in.TargetGPerL, defaultTargetGPerL),
		given:  c.or(boundsGiven24h, in.Given24hMl, 0),
		other:  c.or(boundsOther24h, in.OtherFluids24hMl, 0),
		share:  defaultShareFound,
		asked:  in.Bags,
	}
	if d.perKg == nil || in.IgGReading.given() > 0 && !in.IgGUnknown {
		d.igg = new(c.igg(in.IgGReading))
	}
	c.supply(in, &d)
	switch {
	case in.ShareFound != nil:
		d.share = c.span(boundsShare, *in.ShareFound)
	case in.OwnShare != nil:
		d.share = c.ownShare(*in.OwnShare)
	}
	if in.Bags != nil && (*in.Bags < 0 || *in.Bags > maxBagsAsked) {
		c.refuse(refusal.New("bags", *in.Bags, fmt.Sprintf("0 to %d bags", maxBagsAsked)).Because("mL?"))
	}
	if in.Bags != nil && !d.counted {
		c.refuse(refusal.New("bag_ml", "not given", "the mL of one bag, to say what a number of bags does"))
	}
	if d.perKg == nil || distributionKnown(d.weight.Mid, in.AgeH, in.DistributionMlPerKg) {
		d.vd = new(c.distribution(d.weight.Mid, in.AgeH, in.DistributionMlPerKg))
	}
	c.newborn(in.AgeH, d.weight)
	foal := d.weight.Mid <= adultFromKg && in.AgeH == nil || in.AgeH != nil && *in.AgeH <= monthDays*24
	d.limits = c.dayLimits(d.weight, foal, in.CeilingMlPerKg24h)
	return d, c.err
}

// supply reads the bags: those chosen, or one size with one donor's IgG.
func (c *inputs) supply(in DoseInput, d *dosing) {
	least := c.labelIgG(in.LabelIgGGPerL)
	if len(in.Chosen) == 0 {
		bag := supplyBag{ml: c.or(boundsBag, in.BagMl, math.Inf(1))}
		d.counted = in.BagMl != nil
		d.donor = in.DonorIgGGPerL != nil || least != nil
		switch {
		case in.DonorIgGGPerL != nil:
			bag.igg = c.span(boundsDonor, *in.DonorIgGGPerL)
		case least != nil:
			bag.igg = *least
			c.basis.caution(donorIsLabels.With(num(least.Mid)))
		}
		d.supply = []supplyBag{bag}
	} else {
		c.chosen(in, least, d)
	}
	if !d.donor && d.perKg == nil {
		c.basis.caution(donorIgGMissing.With())
	}
}

// labelIgG is the label's least IgG as a range without width.
func (c *inputs) labelIgG(least *float64) *Range {
	if least == nil {
		return nil
	}
	return new(Exactly(c.one(boundsLabelIgG, *least)))
}

// chosen reads bags that each have their own volume and IgG.
func (c *inputs) chosen(in DoseInput, least *Range, d *dosing) {
	if len(in.Chosen) > maxBagsAsked || in.BagMl != nil || in.DonorIgGGPerL != nil {
		c.refuse(refusal.New("bag", len(in.Chosen), fmt.Sprintf("at most %d bags, and then neither bag_ml nor donor_igg_g_per_l", maxBagsAsked)))
		return
	}
	d.counted, d.donor = true, true
	told := false
	for _, b := range in.Chosen {
		bag := supplyBag{ml: c.one(boundsChosenBag, b.VolumeMl)}
		switch {
		case b.IgGGPerL != nil:
			bag.igg = Exactly(c.one(boundsChosenIgG, *b.IgGGPerL))
		case least != nil:
			bag.igg = *least
			if !told {
				c.basis.caution(donorIsLabels.With(num(least.Mid)))
			}
			told = true
		default:
			d.donor = false
		}
		d.supply = append(d.supply, bag)
	}
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
