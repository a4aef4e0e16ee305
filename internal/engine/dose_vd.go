package engine

import (
	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// The volume in which given IgG is diluted: the plasma volume as published, with
// its spread.
const (
	newbornUntilDays = 2.0
	monthDays        = 28.0
	teachingMlPerKg  = 66.6

	srcNewborn    = "plasma volume 94.5 +/- 8.9 mL/kg at 2 days, 61.8 +/- 5.9 at 4 weeks: Munroe (ed), Equine Clinical Medicine, Surgery and Reproduction, 2nd ed, p. 1330; the range is one such spread to either side"
	srcLine       = "straight line from 2 to 28 days: ours"
	srcTeaching   = "another view, 66.6 mL/kg (two thirds of a blood volume of a tenth of the weight): DVM360 proceedings, August 2011"
	overMonthNeed = "the patient's own IgG distribution volume in mL/kg; over 28 days of age no default is published here"
)

// Plasma volumes with one published spread to either side.
var (
	newbornDistribution = Range{94.5 - 8.9, 94.5, 94.5 + 8.9}
	monthDistribution   = Range{61.8 - 5.9, 61.8, 61.8 + 5.9}
)

var ageMissing = caution.Define("age_not_given", caution.Note,
	"The age was not given: the distribution volume of a newborn (94.5 mL/kg) is used. At 4 weeks it is a third less.")

// distribution is the volume in which IgG is diluted, in mL/kg: as given, else
// by age. Between the two published ages we draw a straight line.
func (c *inputs) distribution(weightKg float64, ageH, given *float64) Range {
	age := c.or(boundsAge, ageH, 0)
	if given != nil {
		v := c.one(boundsDistribution, *given)
		c.basis.step("distribution volume %s mL/kg, as given", v)
		return Exactly(v)
	}
	if ageH == nil {
		if weightKg > adultFromKg {
			c.refuse(refusal.New("age_h", "not given", "the age in hours, or distribution_ml_per_kg: a newborn's volume is never used over 120 kg").
				Because(num(weightKg) + " kg"))
		}
		c.basis.caution(ageMissing.With())
	}
	days := age / 24
	c.basis.source(srcNewborn)
	switch {
	case days <= newbornUntilDays:
		c.basis.step("distribution volume %s mL/kg (to 2 days)", newbornDistribution)
		return newbornDistribution
	case days <= monthDays:
		v := between(newbornDistribution, monthDistribution, (days-newbornUntilDays)/(monthDays-newbornUntilDays))
		c.basis.source(srcLine)
		c.basis.step("distribution volume 94.5 - 1.258 x (%s - 2) days = %s mL/kg", days, v)
		return v
	}
	c.refuse(refusal.New("distribution_ml_per_kg", "not given", overMonthNeed).
		Because("age " + num(days) + " days"))
	return newbornDistribution
}

// distributionKnown says that a plan which can do without the volume has one.
func distributionKnown(weightKg float64, ageH, given *float64) bool {
	return given != nil || ageH != nil && *ageH <= monthDays*24 || ageH == nil && weightKg <= adultFromKg
}

// between is the straight line from one range to another, end by end.
func between(from, to Range, share float64) Range {
	return Range{
		from.Low + (to.Low-from.Low)*share,
		from.Mid + (to.Mid-from.Mid)*share,
		from.High + (to.High-from.High)*share,
	}
}
