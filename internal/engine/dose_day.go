package engine

import (
	"math"

	"thawtrail/internal/caution"
)

// How much plasma a day may bring. Sources disagree, so both sides are shown: a
// note at the cautious one, a ceiling for what may be given now, and a typed reason
// beyond it. Other fluids by vein are shown beside and never counted in. No limit
// steps at a weight.
const (
	dayNoteMl        = 1000.0 // a foal
	dayNoteMlPerKg   = 20.0
	dayMlPerKg       = 40.0 // the ceiling
	dayReasonMlPerKg = 60.0

	srcDayNote    = "1 L a day for a foal of 40 to 60 kg: DVM360 proceedings, August 2011 (author not seen); 20 mL/kg at other weights: ours"
	srcDayCeiling = "40 mL/kg of plasma in 24 h: top of the common textbook range, from memory; 'almost all complete failures need more than 2 L': DVM360 proceedings, August 2011, and SAEVA Proceedings 2016, p. 75; a reason over 60 mL/kg: ours"
	srcOverload   = "signs of overload: Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery"
)

var (
	dayNote = caution.Define("volume_24h_over_day_limit", caution.Note,
		"%s mL of plasma in 24 h (%s mL/kg) is over the cautious %s mL a day; other sources say that most complete failures need more than 2 L.")
	dayCaution = caution.Define("volume_24h_over_40", caution.Caution,
		"%s mL of plasma in 24 h (%s mL/kg) is over 40 mL/kg: look for overload (cough, froth, oedema, laboured breathing).")
	dayReason = caution.Define("volume_24h_over_60", caution.Reason,
		"%s mL of plasma in 24 h (%s mL/kg) is over 60 mL/kg: give the reason.")
	dayOverOwn = caution.Define("volume_24h_over_protocol", caution.Reason,
		"%s mL of plasma in 24 h (%s mL/kg) is over the %s mL/kg of the practice's protocol: give the reason.")
	dayAtLowWeight = caution.Define("volume_24h_at_low_weight", caution.Note,
		"The weight may be %s kg: then %s mL of plasma in 24 h are %s mL/kg, over %s.")
	dayWithOther = caution.Define("other_fluids_24h", caution.Note,
		"With %s mL of other fluids %s mL by vein in 24 h (%s mL/kg). The ceiling is about plasma; overload is about both: watch for cough, froth, oedema, laboured breathing.")
	moreThanOneDay = caution.Define("plan_exceeds_one_day", caution.Note,
		"All %s mL (%s mL/kg) with what was given is over one day's %s mL: %s mL now; recheck IgG before more.")
	ceilingLoosened = caution.Define("ceiling_loosened", caution.Note,
		"The practice's ceiling of %s mL in 24 h is over the program's %s mL.")
)

var boundsCeiling = bounds{field: "ceiling_ml_per_kg_24h", unit: "mL/kg", hardLow: 5, hardHigh: dayReasonMlPerKg,
	hint: "mL for each kg, not mL"}

// dayLimits are one patient's limits of plasma in 24 h, in mL by the middle of the
// weight. A weight's range speaks in the cautions alone.
type dayLimits struct {
	weight  Range
	note    float64
	ceiling float64
}

// dayLimits fills in the limits. A practice's tighter ceiling is silent, a looser
// one shows both values.
func (c *inputs) dayLimits(weight Range, foal bool, ownMlPerKg *float64) dayLimits {
	l := dayLimits{weight: weight, note: dayNoteMlPerKg * weight.Mid, ceiling: dayMlPerKg * weight.Mid}
	if foal {
		l.note = math.Min(l.note, dayNoteMl)
	}
	if ownMlPerKg == nil {
		return l
	}
	own := c.one(boundsCeiling, *ownMlPerKg) * weight.Mid
	if own > l.ceiling {
		c.basis.caution(ceilingLoosened.With(num(own), num(l.ceiling)))
	}
	l.ceiling = own
	return l
}

// overDay is what a volume in 24 h deserves: the gravest caution alone, and a note
// when the low end of the weight would make it graver.
func (l dayLimits) overDay(ml float64) (out []caution.Raised) {
	perKg, worst := ml/l.weight.Mid, ml/l.weight.Low
	switch {
	case perKg > dayReasonMlPerKg*(1+1e-9):
		return []caution.Raised{dayReason.With(num(ml), num(perKg))}
	case perKg > dayMlPerKg*(1+1e-9):
		out = append(out, dayCaution.With(num(ml), num(perKg)))
	case ml > l.note*(1+1e-9):
		out = append(out, dayNote.With(num(ml), num(perKg), num(l.note)))
	}
	for _, limit := range [2]float64{dayReasonMlPerKg, dayMlPerKg} {
		if worst > limit*(1+1e-9) && perKg <= limit*(1+1e-9) {
			return append(out, dayAtLowWeight.With(num(l.weight.Low), num(ml), num(worst), num(limit)))
		}
	}
	return out
}

// OverDay is what an accepted volume deserves, with the plasma of the last 24 h: the
// caution is about what is given, not about what was advised.
// A practice's own ceiling, 0 for none, is told beside the program's.
func OverDay(weight Range, foal bool, plasmaMl, ownMlPerKg float64) []caution.Raised {
	l := dayLimits{weight: weight, note: dayNoteMlPerKg * weight.Mid}
	if foal {
		l.note = math.Min(l.note, dayNoteMl)
	}
	out := l.overDay(plasmaMl)
	if perKg := plasmaMl / weight.Mid; ownMlPerKg > 0 && perKg > ownMlPerKg*(1+1e-9) && perKg <= dayReasonMlPerKg*(1+1e-9) {
		out = append([]caution.Raised{dayOverOwn.With(num(plasmaMl), num(perKg), num(ownMlPerKg))}, out...)
	}
	return out
}

// judge raises the cautions of volume in 24 h: on the bags asked about, else on
// what may be given now. What lies past today is a note.
func (d dosing) judge(r *DoseResult) {
	r.source(srcDayNote, srcDayCeiling)
	now, total := r.GiveNowMl, r.GiveNowMl+r.LaterMl
	if r.Bags != nil && r.Bags.Asked != nil {
		now, total = r.Bags.Asked.VolumeMl, 0
	}
	all := d.given + now
	r.step("plasma in 24 h: given %s + now %s = %s mL = %s mL/kg; ceiling %s mL", d.given, now, all, all/d.weight.Mid, d.limits.ceiling)
	r.caution(d.limits.overDay(all)...)
	if d.other > 0 {
		r.step("other fluids by vein in 24 h: %s mL, not counted against the ceiling", d.other)
		r.caution(dayWithOther.With(num(d.other), num(all+d.other), num((all+d.other)/d.weight.Mid)))
		r.source(srcOverload)
	}
	if d.given+total > d.limits.ceiling*(1+1e-9) && total > 0 {
		r.caution(moreThanOneDay.With(num(total), num(total/d.weight.Mid), num(d.limits.ceiling), wholeMl(r.GiveNowMl)))
	}
}
