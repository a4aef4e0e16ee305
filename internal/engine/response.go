package engine

import "thawtrail/internal/caution"

// ResponseInput asks what a transfusion did, from IgG before and about 24 h after.
type ResponseInput struct {
	WeightKg            float64
	IgGBeforeGPerL      *float64 // must be given: 0 is a value
	IgGAfterGPerL       *float64
	GivenMl             float64
	DonorIgGGPerL       float64
	AgeH                *float64
	DistributionMlPerKg *float64
}

// ResponseResult looks back with the same mass balance as Dose.
//
//	share found = rise x distribution volume / IgG given
//	apparent distribution volume = IgG given / rise, as if all of it were found
//
// Both blend what left the blood with what the gut still took up. A share of zero
// or less is shown as it is and never sizes a second dose.
type ResponseResult struct {
	Basis
	RiseGPerL                   float64
	IgGGivenG                   float64
	ApparentDistributionMlPerKg *float64 // nil without a rise
	ShareFound                  float64
	IgGClassAfter               string // as Assess has it
}

var (
	noRiseSeen = caution.Define("no_rise", caution.Caution,
		"IgG did not rise (%s g/L). Do not size a second dose from this: look first for the wrong foal, the wrong test, sepsis or loss.")
	shareOverOne = caution.Define("share_above_one", caution.Note,
		"More IgG was found than was given (share %s): colostrum was perhaps still being absorbed.")
	shareLow = caution.Define("share_below_usual", caution.Note,
		"The share found, %s, is below the usual 0.4 to 1: look for sepsis, loss or the wrong test before giving more.")
	stillComplete = caution.Define("still_complete_failure", caution.Caution,
		"IgG after plasma, %s g/L, is still a complete failure (below 4 g/L)%s. Next: a further dose planned from this value, referral of a sick foal, or watching a well one closely; recheck in any case.")
	stillPartial = caution.Define("still_partial_failure", caution.Note,
		"IgG after plasma, %s g/L, is a partial failure (4 to below 8 g/L). Next: watch a well foal, plan more for a sick one; recheck.")
)

var (
	boundsIgGBefore = bounds{field: "igg_before_g_per_l", unit: "g/L", hardHigh: 50, likelyHigh: 35, hint: boundsIgG.hint}
	boundsIgGAfter  = bounds{field: "igg_after_g_per_l", unit: "g/L", hardHigh: 50, likelyHigh: 35, hint: boundsIgG.hint}
	boundsGiven     = bounds{field: "given_ml", unit: "mL", hardLow: 10, hardHigh: 20000, likelyLow: 100, likelyHigh: 6000, hint: "litres? 0.95 L is 950 mL"}
)

// Response computes the share of the given IgG that was found.
func Response(in ResponseInput) (ResponseResult, error) {
	var r ResponseResult
	c := &inputs{basis: &r.Basis}
	weight := c.one(boundsWeight, in.WeightKg)
	before := c.need(boundsIgGBefore, in.IgGBeforeGPerL, "the IgG before plasma in g/L")
	after := c.need(boundsIgGAfter, in.IgGAfterGPerL, "the IgG about 24 h after plasma in g/L")
	given, donor := c.one(boundsGiven, in.GivenMl), c.one(boundsDonor, in.DonorIgGGPerL)
	vd := c.distribution(weight, in.AgeH, in.DistributionMlPerKg).Mid
	if c.err != nil {
		return ResponseResult{}, c.err
	}
	r.RiseGPerL, r.IgGGivenG = after-before, donor*given/1000
	r.step("IgG given = %s g/L x %s mL / 1000 = %s g", donor, given, r.IgGGivenG)
	r.ShareFound = r.RiseGPerL * vd * weight / 1000 / r.IgGGivenG
	r.step("share found = (%s - %s) g/L x %s mL/kg x %s kg / 1000 / %s g = %s",
		after, before, vd, weight, r.IgGGivenG, r.ShareFound)
	r.source(srcBalance)
	r.judge(weight)
	r.classAfter(after)
	r.Versions = []string{Version}
	return r, nil
}

// judge fills in the apparent volume and says what an odd share hints at.
func (r *ResponseResult) judge(weight float64) {
	if r.RiseGPerL <= 0 {
		r.caution(noRiseSeen.With(num(r.RiseGPerL)))
		r.source(srcNoRise)
		return
	}
	if v := r.IgGGivenG / r.RiseGPerL * 1000 / weight; finite(v) {
		r.ApparentDistributionMlPerKg = &v
		r.step("apparent distribution volume = %s g / %s g/L x 1000 / %s kg = %s mL/kg", r.IgGGivenG, r.RiseGPerL, weight, v)
	}
	switch {
	case r.ShareFound > 1:
		r.caution(shareOverOne.With(num(r.ShareFound)))
	case r.ShareFound < defaultShareFound.Low:
		r.caution(shareLow.With(num(r.ShareFound)))
	}
	r.source(srcShare)
}

// ClassAfter classes an IgG after plasma alone, where nobody knows the plasma's IgG and
// no share can be worked out.
func ClassAfter(gPerL float64) (r ResponseResult) {
	r.classAfter(gPerL)
	r.Versions = []string{Version}
	return r
}

// classAfter classes the IgG after plasma again: a rise alone may not be enough.
func (r *ResponseResult) classAfter(after float64) {
	r.IgGClassAfter = classOne(after, adequateGPerL, completeGPerL)
	r.step("IgG after plasma %s g/L: %s", after, r.IgGClassAfter)
	r.source(srcClasses, srcClasses2)
	switch r.IgGClassAfter {
	case ClassComplete:
		other := ""
		if after >= otherComplete {
			other = "; a second scheme calls 2 to 4 g/L partial"
		}
		r.caution(stillComplete.With(num(after), other))
	case ClassPartial:
		r.caution(stillPartial.With(num(after)))
	}
}
