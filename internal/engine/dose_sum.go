package engine

import "math"

// end takes one end of a range, or its middle.
type end func(Range) float64

func low(r Range) float64  { return r.Low }
func mid(r Range) float64  { return r.Mid }
func high(r Range) float64 { return r.High }

// volume fills in what is lacking and the volume, in mL and for each kilogram.
func (d dosing) volume(r *DoseResult) {
	if d.igg != nil && d.vd != nil {
		r.IgGLackingG = d.lacking()
	}
	if d.perKg != nil || !d.donor {
		r.VolumeMlPerKg = d.usualMlPerKg()
		r.VolumeMl = Range{r.VolumeMlPerKg.Low * d.weight.Low, r.VolumeMlPerKg.Mid * d.weight.Mid, r.VolumeMlPerKg.High * d.weight.High}
		return
	}
	r.VolumeMl = Range{
		d.needs(d.igg.High, d.vd.Low, d.share.High, d.weight.Low, high),
		d.needs(d.igg.Mid, d.vd.Mid, d.share.Mid, d.weight.Mid, mid),
		d.needs(d.igg.Low, d.vd.High, d.share.Low, d.weight.High, low),
	}
	each := Range{r.VolumeMl.Low / d.weight.Low, r.VolumeMl.Mid / d.weight.Mid, r.VolumeMl.High / d.weight.High}
	// Where a poor bag hangs before a rich one the lighter patient may need more for
	// each kilogram.
	r.VolumeMlPerKg = Range{math.Min(each.Low, each.Mid), each.Mid, math.Max(each.Mid, each.High)}
}

// lacking is the IgG short of the target in grams; never negative.
func (d dosing) lacking() Range {
	g := func(weight, igg, vd float64) float64 {
		return math.Max(0, d.target-igg) * vd * weight / 1000
	}
	return Range{g(d.weight.Low, d.igg.High, d.vd.Low), g(d.weight.Mid, d.igg.Mid, d.vd.Mid), g(d.weight.High, d.igg.Low, d.vd.High)}
}

// usualMlPerKg is the plan's own mL/kg, or, where the donor's IgG is not known, the
// usual 20 to 40 where anything is lacking at all.
func (d dosing) usualMlPerKg() Range {
	if d.perKg != nil {
		return *d.perKg
	}
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

// needs is the volume by mass balance.
func (d dosing) needs(igg, vd, share, weight float64, donor end) float64 {
	return d.mlHolding(math.Max(0, d.target-igg)*vd*weight/share, donor)
}

// mlHolding is the volume of the supply, from its first bag on, that holds so much
// IgG in g/L x mL.
func (d dosing) mlHolding(igg float64, donor end) float64 {
	ml := 0.0
	last := len(d.supply) - 1
	for _, bag := range d.supply[:last] {
		holds := bag.ml * donor(bag.igg)
		if holds >= igg {
			return ml + igg/donor(bag.igg)
		}
		ml, igg = ml+bag.ml, igg-holds
	}
	return ml + igg/donor(d.supply[last].igg)
}

// iggIn is the IgG in so many mL of the supply, in g/L x mL.
func (d dosing) iggIn(ml float64, donor end) float64 {
	igg := 0.0
	last := len(d.supply) - 1
	for _, bag := range d.supply[:last] {
		take := math.Min(ml, bag.ml)
		igg, ml = igg+take*donor(bag.igg), ml-take
	}
	return igg + ml*donor(d.supply[last].igg)
}

// expect is the rise and the IgG after a volume; nil where donor IgG, distribution
// volume or IgG before are not known.
func (d dosing) expect(ml float64) (rise, igg *Range) {
	if !d.donor || d.vd == nil {
		return nil, nil
	}
	rise = &Range{
		d.share.Low * d.iggIn(ml, low) / (d.vd.High * d.weight.High),
		d.share.Mid * d.iggIn(ml, mid) / (d.vd.Mid * d.weight.Mid),
		d.share.High * d.iggIn(ml, high) / (d.vd.Low * d.weight.Low),
	}
	if d.igg == nil {
		return rise, nil
	}
	return rise, &Range{d.igg.Low + rise.Low, d.igg.Mid + rise.Mid, d.igg.High + rise.High}
}

// explain writes the arithmetic of the volume.
func (d dosing) explain(in DoseInput, r *DoseResult) {
	if d.perKg != nil {
		d.explainMlPerKg(in, r)
		return
	}
	r.source(srcTarget, srcBalance)
	r.step("IgG deficit = (%s - %s) g/L x %s mL/kg x %s kg / 1000 = %s g",
		d.target, d.igg, d.vd, d.weight, r.IgGLackingG)
	if d.igg.Mid >= d.target {
		r.caution(atTarget.With(num(d.igg.Mid), num(d.target)))
	}
	if !d.donor {
		r.source(srcMlPerKg)
		r.step("%s: %s mL/kg x %s kg = %s mL", donorMissing, r.VolumeMlPerKg, d.weight, r.VolumeMl)
		return
	}
	r.source(srcShare, srcFoalsInside)
	r.step("volume = IgG deficit / (share found %s x donor IgG %s g/L) = %s mL = %s mL/kg",
		d.share, d.donorText(), r.VolumeMl, r.VolumeMlPerKg)
	if d.vd.Low < d.vd.High {
		r.step("by the teaching value of %s mL/kg the middle would be %s mL", teachingMlPerKg,
			d.needs(d.igg.Mid, teachingMlPerKg, d.share.Mid, d.weight.Mid, mid))
		r.source(srcTeaching)
	}
}

// donorText is the donor's IgG, or those of the bags in their order.
func (d dosing) donorText() string {
	var room [96]byte
	out := d.supply[0].igg.append(room[:0])
	for _, bag := range d.supply[1:] {
		out = bag.igg.append(append(out, ", then "...))
	}
	return string(out)
}
