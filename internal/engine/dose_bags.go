package engine

import (
	"fmt"
	"math"
	"slices"

	"thawtrail/internal/caution"
)

// How much fluid a day may bring. Sources disagree, so the cautious one is the
// ceiling for 'bags now' and the looser ones are shown as graver cautions:
// 1 L a day for a foal of 40 to 60 kg (DVM360 proceedings, August 2011; other
// weights at 20 mL/kg), 40 mL/kg (the top of the common textbook range, from
// memory), 60 mL/kg (ours).
const (
	dayNoteMl           = 1000.0
	dayNoteFromKg       = 40.0
	dayNoteToKg         = 60.0
	dayNoteMlPerKg      = 20.0
	dayCautionMlPerKg   = 40.0
	dayReasonMlPerKg    = 60.0
	srcDayNote          = "1 L a day for a foal of 40 to 60 kg: DVM360 proceedings, August 2011; 20 mL/kg at other weights: ours"
	srcDayCautionReason = "40 mL/kg in 24 h: top of the common textbook range, from memory; 60 mL/kg: ours"
)

var (
	dayNote = caution.Define("volume_24h_over_day_limit", caution.Note,
		"%s mL in 24 h (%s mL/kg) is over the cautious %s mL a day.")
	dayCaution = caution.Define("volume_24h_over_40", caution.Caution,
		"%s mL in 24 h (%s mL/kg) is over 40 mL/kg: look for fluid overload.")
	dayReason = caution.Define("volume_24h_over_60", caution.Reason,
		"%s mL in 24 h (%s mL/kg) is over 60 mL/kg: give the reason.")
	moreThanOneDay = caution.Define("plan_exceeds_one_day", caution.Note,
		"All %s mL (%s mL/kg) with what was given is over one day's %s mL: %s now; recheck IgG before more.")
	lastBag = caution.Define("last_bag_mostly_spare", caution.Note,
		"%s mL is %s bags of %s mL: of the last bag only %s mL is needed. See what one bag fewer gives.")
	bagOverCeiling = caution.Define("bag_larger_than_ceiling", caution.Note,
		"One bag of %s mL is more than the %s mL left of one day's ceiling: no whole bag fits now.")
)

var boundsCeiling = bounds{field: "ceiling_ml_per_kg_24h", unit: "mL/kg", hardLow: 5, hardHigh: dayReasonMlPerKg,
	hint: "mL for each kg, not mL"}

// dayLimits are one patient's limits for 24 h in mL, from the low end of the weight.
type dayLimits struct {
	cautious float64 // the published or scaled note limit
	ceiling  float64 // cautious, or the practice's own
}

// dayLimits fills in the limits. A practice's tighter ceiling is silent, a looser
// one shows both values.
func (c *inputs) dayLimits(weight Range, ownMlPerKg *float64) dayLimits {
	l := dayLimits{cautious: dayNoteMlPerKg * weight.Low}
	if weight.Low >= dayNoteFromKg && weight.Low <= dayNoteToKg {
		l.cautious = dayNoteMl
	}
	l.ceiling = l.cautious
	if ownMlPerKg != nil {
		l.ceiling = c.one(boundsCeiling, *ownMlPerKg) * weight.Low
	}
	if l.ceiling > l.cautious {
		c.basis.caution(ceilingLoosened.With(num(l.ceiling), num(l.cautious)))
	}
	return l
}

// overDay is the caution that a volume in 24 h deserves, the gravest alone.
func (l dayLimits) overDay(ml, weightKg float64) []caution.Raised {
	perKg := ml / weightKg
	switch {
	case perKg > dayReasonMlPerKg:
		return []caution.Raised{dayReason.With(num(ml), num(perKg))}
	case perKg > dayCautionMlPerKg:
		return []caution.Raised{dayCaution.With(num(ml), num(perKg))}
	case ml > l.cautious:
		return []caution.Raised{dayNote.With(num(ml), num(perKg), num(l.cautious))}
	}
	return nil
}

// judge raises the cautions of volume in 24 h: on the bags asked about, else on
// the bags for now, else on the whole volume. What lies past today is a note.
func (l dayLimits) judge(r *DoseResult, d dosing) {
	r.source(srcDayNote, srcDayCautionReason)
	now, total, say := r.VolumeMl.Mid, r.VolumeMl.Mid, ""
	if b := r.Bags; b != nil {
		now, total = b.Now.VolumeMl, b.Total.VolumeMl
		say = fmt.Sprintf("%d of %d bags", b.BagsNow, b.BagsTotal)
		if b.Asked != nil {
			now, total = b.Asked.VolumeMl, 0
		}
	}
	r.step("24 h: given %s + now %s = %s mL = %s mL/kg; ceiling %s mL", d.given, now, d.given+now, (d.given+now)/d.weight.Low, l.ceiling)
	r.caution(l.overDay(d.given+now, d.weight.Low)...)
	if say != "" && total > 0 && d.given+total > l.ceiling {
		r.caution(moreThanOneDay.With(num(total), num(total/d.weight.Mid), num(l.ceiling), say))
	}
}

// wholeBags is the least number of bags that holds a volume. A rounding error of
// the last bit does not open another bag.
func wholeBags(ml, bag float64) int { return int(math.Ceil(ml/bag - 1e-9)) }

// bags plans whole bags for a volume.
func (d dosing) bags(ml float64) *BagPlan {
	total := max(0, wholeBags(ml, d.bag))
	room := math.Max(0, d.limits.ceiling-d.given)
	now := min(total, int(math.Floor(room/d.bag+1e-9)))
	p := &BagPlan{BagsNow: now, BagsTotal: total, Now: d.outcome(now), Total: d.outcome(total)}
	if total > 0 {
		fewer := d.outcome(total - 1)
		p.OneFewer = &fewer
	}
	if d.asked != nil {
		asked := d.outcome(*d.asked)
		p.Asked = &asked
	}
	return p
}

// outcome is what n bags give.
func (d dosing) outcome(n int) BagOutcome {
	o := BagOutcome{Bags: n, VolumeMl: float64(n) * d.bag}
	o.VolumeMlPerKg = o.VolumeMl / d.weight.Mid
	o.ExpectedRiseGPerL, o.ExpectedIgGGPerL = d.expect(o.VolumeMl)
	return o
}

// outcome adds one line on a number of bags.
func (b *Basis) outcome(what string, o BagOutcome) {
	if o.ExpectedIgGGPerL == nil {
		b.step("%s: %d x bag = %s mL = %s mL/kg", what, o.Bags, o.VolumeMl, o.VolumeMlPerKg)
		return
	}
	b.step("%s: %d x bag = %s mL = %s mL/kg: rise %s g/L, IgG %s g/L", what, o.Bags, o.VolumeMl, o.VolumeMlPerKg, o.ExpectedRiseGPerL, o.ExpectedIgGGPerL)
}

// explain puts the bags for now before all other steps, the rest after them, and
// returns the volume whose effect the result shows.
func (p *BagPlan) explain(d dosing, b *Basis) float64 {
	b.outcome("now, within one day's ceiling", p.Now)
	last := len(b.Steps) - 1
	now := b.Steps[last]
	b.Steps = slices.Insert(b.Steps[:last], 0, now)
	b.outcome("in all", p.Total)
	if p.OneFewer != nil {
		b.outcome("one bag fewer", *p.OneFewer)
	}
	p.warn(d, b)
	if p.Asked == nil {
		return p.Total.VolumeMl
	}
	b.outcome("asked", *p.Asked)
	return p.Asked.VolumeMl
}

// warn says when whole bags and the sum fit badly: the last bag needed for less
// than half, or no whole bag within what is left of the ceiling.
func (p *BagPlan) warn(d dosing, b *Basis) {
	if p.BagsTotal == 0 {
		return
	}
	need := perKg(d.mlPerKg(), d.weight).Mid
	if of := need - float64(p.BagsTotal-1)*d.bag; p.BagsTotal > 1 && of < d.bag/2 {
		b.caution(lastBag.With(num(need), num(need/d.bag), num(d.bag), num(of)))
	}
	if room := math.Max(0, d.limits.ceiling-d.given); p.BagsNow == 0 {
		b.caution(bagOverCeiling.With(num(d.bag), num(room)))
	}
}
