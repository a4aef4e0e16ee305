package engine

import (
	"fmt"
	"math"
	"slices"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// DripInput asks for the rates at which a volume runs in. Exactly one of Minutes
// and PlateauMlPerKgPerH is given. After a new batch or donor the caller plans
// again with the slow start.
type DripInput struct {
	VolumeMl           float64
	Minutes            *float64 // all of it, the slow start included
	PlateauMlPerKgPerH *float64 // the rate after the slow start
	WeightKg           *float64 // nil: no rate per kg, and so no slow start and no check of the ceiling
	DropsPerMl         *float64 // as printed on the set's packet; no default, nil: no drops
	Adult              bool     // slow start of an adult instead of a foal's
	Foal               bool     // said to be a foal; neither said: an adult over 120 kg, which is told
	NoSlowStart        bool     // only for a further bag of the same batch in the same treatment

	CeilingMlPerKgPerH *float64 // the practice's own ceiling for the plateau, up to 40
	LabelMlPerKgPerH   *float64 // the label's greatest rate
	StartMlPerKg       *float64 // the practice's own slow start
	StartMin           *float64
}

// DripStage is a time at one rate. DropsPerMin is 0 without a drop factor, and
// MlPerKgPerH without a weight.
type DripStage struct {
	FromMin, ToMin float64
	MlPerKgPerH    float64
	MlPerH         float64
	DropsPerMin    float64
	VolumeMl       float64
}

// DripMark is what should have run in by a time: the way to follow a rate that
// cannot be counted in drops.
type DripMark struct {
	AtMin, GivenMl, LeftMl float64
}

// DripResult is the plan. TotalMin and the averages include the slow start.
type DripResult struct {
	Basis
	Stages               []DripStage
	PlateauMlPerKgPerH   float64
	AverageMlPerKgPerH   float64
	AverageMlPerH        float64
	AverageDropsPerMin   float64
	DropsPerMinTolerance Range // of the average: what a set within its tolerance may need
	TotalMin             float64
	VitalsAtMin          []float64 // 0 is the baseline; the last is 30 min after the end
	Marks                []DripMark
}

// Rates and times.
const (
	foalStartMlPerKg, foalStartMin   = 0.5, 20.0
	adultStartMlPerKg, adultStartMin = 0.3, 20.0
	adultMostMlPerKg, adultLeastMin  = 0.5, 10.0 // the fast end of the published range

	cautiousCeiling = 20.0 // mL/kg/h on the plateau
	hardCeiling     = 40.0 // never planned above it

	// unweighedMlPerH is the fastest rate without a weight: 20 mL/kg/h at 30 kg, the
	// lightest usual newborn (ours).
	unweighedMlPerH = 600.0

	dropTolerance   = 0.1 // of the volume of 20 or 60 drops
	countablePerMin = 100.0
	afterEndMin     = 30.0
	everyMin        = 15.0

	srcStartFoal   = "slow start 0.5 mL/kg over 20 min, then at most 40 mL/kg/h: SAEVA 2016, p. 191 (foals)"
	srcStartAdult  = "slow start 0.3-0.5 mL/kg over 10-20 min: Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery, ch. 6"
	srcStartOwn    = "slow start: the practice's own protocol"
	srcCeiling     = "20 mL/kg/h, the rate for whole blood, as the cautious ceiling: Munroe, 2nd ed, Table 9.2"
	srcDrops       = "20 drops of water are 1 +/- 0.1 mL: ISO 8536-4:2019; ISO 1135-4"
	srcVitals      = "every 5 min for 15 min, then every 15 min: Five-Minute Veterinary Consult: Equine, 3rd ed; before steps and after the end: common practice"
	countDropsSlow = "count drops only while they can be counted, then follow the mL marks; enter the mL given from the bag, never from drops"
)

var (
	overCeiling = caution.Define("rate_over_ceiling", caution.Reason,
		"%s mL/kg/h is over the ceiling of %s mL/kg/h. The field's 'a litre in 20 to 30 minutes' would be %s to %s mL/kg/h here.")
	noSlowStart = caution.Define("no_slow_start", caution.Caution,
		"No slow start is planned: only for a further bag of the same batch in the same treatment. A new batch or donor starts slowly again.")
	noDripWeight = caution.Define("drip_without_weight", caution.Reason,
		"Without the weight there is no slow start and no check of the rate: this is the average only.")
	adultStartTaken = caution.Define("adult_slow_start_taken", caution.Caution,
		"%s kg and no kind given: an adult's slow start, %s mL/kg over %s min, is taken. Say foal or adult.")
	dropsNotCounted = caution.Define("drops_cannot_be_counted", caution.Note,
		"%s drops/min cannot be counted by eye (over %s): follow the mL marks at their times, or a spring scale.")
	startLoosened = caution.Define("slow_start_loosened", caution.Note,
		"The practice's slow start of %s mL/kg over %s min is faster than the program's %s over %s.")
	rateCeilingLoosened = caution.Define("rate_ceiling_loosened", caution.Note,
		"The practice's ceiling of %s mL/kg/h is over the cautious %s mL/kg/h.")
)

// Limits of the drip's inputs are ours.
var (
	boundsDripVolume = bounds{field: "volume_ml", unit: "mL", hardLow: 1, hardHigh: 20000, likelyLow: 100, likelyHigh: 8000,
		hint: "litres? 0.95 L is 950 mL"}
	boundsMinutes = bounds{field: "minutes", unit: "min", hardLow: 5, hardHigh: 1440, likelyLow: 20, likelyHigh: 720,
		hint: "minutes, not hours"}
	boundsPlateau = bounds{field: "plateau_ml_per_kg_per_h", unit: "mL/kg/h", hardLow: 0.1, hardHigh: hardCeiling,
		hint: "mL/kg/h, not mL/h; over 40 is never planned, what happened can be recorded"}
	boundsDrops = bounds{field: "drops_per_ml", unit: "drops/mL", hardLow: 5, hardHigh: 100, likelyLow: 10, likelyHigh: 60,
		hint: "the number on the set's packet, often 10, 15, 20 or 60"}
	boundsStart = bounds{field: "start_ml_per_kg", unit: "mL/kg", hardLow: 0.01, hardHigh: 5, likelyLow: 0.1, likelyHigh: 1,
		hint: "mL for each kg, not mL"}
	boundsStartMin    = bounds{field: "start_min", unit: "min", hardLow: 5, hardHigh: 120, hint: "minutes, not hours"}
	boundsLabelRate   = bounds{field: "label_ml_per_kg_per_h", unit: "mL/kg/h", hardLow: 0.5, hardHigh: 100, hint: "mL/kg/h, not mL/h"}
	boundsRateCeiling = bounds{field: "ceiling_ml_per_kg_per_h", unit: "mL/kg/h", hardLow: 0.5, hardHigh: hardCeiling,
		hint: "mL/kg/h, not mL/h"}
)

// Drip plans slow start and plateau, drops, vitals and mL marks. A plan over
// 40 mL/kg/h on the plateau is refused; one over the ceiling takes a reason.
func Drip(in DripInput) (DripResult, error) {
	var r DripResult
	d, err := readDrip(in, &r.Basis)
	if err != nil {
		return DripResult{}, err
	}
	if r.Stages, err = d.stages(); err != nil {
		return DripResult{}, err
	}
	last := r.Stages[len(r.Stages)-1]
	r.TotalMin, r.PlateauMlPerKgPerH = last.ToMin, last.MlPerKgPerH
	r.AverageMlPerH = d.volume / r.TotalMin * 60
	r.AverageMlPerKgPerH = d.perKg(r.AverageMlPerH)
	r.AverageDropsPerMin = r.AverageMlPerH / 60 * d.drops
	r.DropsPerMinTolerance = Range{r.AverageDropsPerMin / (1 + dropTolerance), r.AverageDropsPerMin, r.AverageDropsPerMin / (1 - dropTolerance)}
	r.VitalsAtMin = vitalsAt(r.Stages)
	r.Marks = marks(r.Stages, d.volume)
	d.judge(&r)
	d.explain(&r)
	r.Versions = []string{Version}
	return r, nil
}

// drip is a checked DripInput; weight, drops, minutes and plateau are 0 when absent.
type drip struct {
	in                     DripInput
	volume, weight, drops  float64
	minutes, plateau       float64
	ceiling, label         float64 // label: 0 when the label has no greatest rate
	startMlPerKg, startMin float64
}

func readDrip(in DripInput, b *Basis) (drip, error) {
	c := &inputs{basis: b}
	d := drip{in: in,
		volume:  c.one(boundsDripVolume, in.VolumeMl),
		weight:  c.or(boundsWeight, in.WeightKg, 0),
		drops:   c.or(boundsDrops, in.DropsPerMl, 0),
		minutes: c.or(boundsMinutes, in.Minutes, 0),
		plateau: c.or(boundsPlateau, in.PlateauMlPerKgPerH, 0),
		ceiling: c.or(boundsRateCeiling, in.CeilingMlPerKgPerH, cautiousCeiling),
		label:   c.or(boundsLabelRate, in.LabelMlPerKgPerH, 0),

		startMlPerKg: foalStartMlPerKg, startMin: foalStartMin,
	}
	unsaid := !in.Adult && !in.Foal && d.weight > adultFromKg
	if d.in.Adult = in.Adult || unsaid; d.in.Adult {
		d.startMlPerKg, d.startMin = adultStartMlPerKg, adultStartMin
	}
	c.ownStart(in, &d)
	if unsaid && !in.NoSlowStart {
		b.caution(adultStartTaken.With(num(d.weight), num(d.startMlPerKg), num(d.startMin)))
	}
	if (in.Minutes == nil) == (in.PlateauMlPerKgPerH == nil) {
		c.refuse(refusal.New("minutes", "", "either minutes or plateau_ml_per_kg_per_h, and not both"))
	}
	if in.WeightKg == nil && in.PlateauMlPerKgPerH != nil {
		c.refuse(refusal.New("weight_kg", "", "the weight in kg: a rate per kg needs it"))
	}
	if perH := d.volume / d.minutes * 60; in.WeightKg == nil && d.minutes > 0 && perH > unweighedMlPerH {
		c.refuse(refusal.New("weight_kg", "not given", "the weight in kg: "+num(perH)+" mL/h is over "+num(unweighedMlPerH)+" mL/h").
			Because("600 mL/h is 20 mL/kg/h at 30 kg"))
	}
	if d.ceiling > cautiousCeiling {
		b.caution(rateCeilingLoosened.With(num(d.ceiling), num(cautiousCeiling)))
	}
	return d, c.err
}

// ownStart takes the practice's slow start. A gentler one is silent, a faster one
// shows both.
func (c *inputs) ownStart(in DripInput, d *drip) {
	ml, minutes := d.startMlPerKg, d.startMin
	d.startMlPerKg = c.or(boundsStart, in.StartMlPerKg, ml)
	d.startMin = c.or(boundsStartMin, in.StartMin, minutes)
	if d.startMlPerKg*minutes > ml*d.startMin*(1+1e-9) {
		c.basis.caution(startLoosened.With(num(d.startMlPerKg), num(d.startMin), num(ml), num(minutes)))
	}
}

// perKg is 0 without a weight.
func (d drip) perKg(mlPerH float64) float64 {
	if d.weight == 0 {
		return 0
	}
	return mlPerH / d.weight
}

// slowStart is the volume and the minutes of the first stage. There is none
// without a weight, where the caller left it out, and where the whole runs no
// faster than the slow start would: then one even rate is slower still.
func (d drip) slowStart() (ml, minutes float64) {
	ml = d.startMlPerKg * d.weight
	startMlPerMin := ml / d.startMin
	switch {
	case d.weight == 0 || d.in.NoSlowStart,
		d.minutes > 0 && d.volume/d.minutes <= startMlPerMin,
		d.plateau > 0 && d.plateau*d.weight/60 <= startMlPerMin:
		return 0, 0
	case d.volume <= ml:
		return d.volume, d.volume / startMlPerMin
	}
	return ml, d.startMin
}

// stages lays out slow start and plateau.
func (d drip) stages() ([]DripStage, error) {
	ml, at := d.slowStart()
	var out []DripStage
	if ml > 0 {
		out = append(out, d.stage(0, at, ml))
	}
	rest, end := d.volume-ml, d.minutes
	if d.plateau > 0 {
		end = at + rest/(d.plateau*d.weight)*60
	}
	if rest == 0 && d.minutes == 0 {
		return out, nil
	}
	if end <= at || d.perKg(rest/(end-at)*60) > hardCeiling*(1+1e-9) {
		least := math.Ceil(at + rest/(hardCeiling*d.weight)*60)
		return nil, refusal.New("minutes", num(d.minutes), fmt.Sprintf("%s min or more: over %s mL/kg/h is never planned", num(least), num(hardCeiling))).
			Because("the slow start is part of the minutes; what happened can be recorded at any rate")
	}
	return append(out, d.stage(at, end, rest)), nil
}

func (d drip) stage(from, to, ml float64) DripStage {
	perH := ml / (to - from) * 60
	return DripStage{FromMin: from, ToMin: to, MlPerKgPerH: d.perKg(perH), MlPerH: perH, DropsPerMin: perH / 60 * d.drops, VolumeMl: ml}
}

// vitalsAt: baseline, 5, 10, 15 min, before every step up, every 15 min, at the
// end and 30 min after it.
func vitalsAt(stages []DripStage) []float64 {
	end := stages[len(stages)-1].ToMin
	at := []float64{0, end, end + afterEndMin}
	for _, early := range []float64{5, 10} {
		if early < end {
			at = append(at, early)
		}
	}
	for m := everyMin; m < end; m += everyMin {
		at = append(at, m)
	}
	for _, s := range stages[1:] {
		at = append(at, s.FromMin)
	}
	slices.Sort(at)
	return slices.Compact(at)
}

// marks says how much should have run in: every 10 minutes, every 30 in long plans.
func marks(stages []DripStage, volume float64) []DripMark {
	end := stages[len(stages)-1].ToMin
	every := 10.0
	if end > 180 {
		every = 30
	}
	var out []DripMark
	for m := every; m < end; m += every {
		given := givenBy(stages, m)
		out = append(out, DripMark{m, given, volume - given})
	}
	return append(out, DripMark{end, volume, 0})
}

// givenBy is the planned volume at a minute.
func givenBy(stages []DripStage, m float64) float64 {
	given := 0.0
	for _, s := range stages {
		given += s.VolumeMl * min(max((m-s.FromMin)/(s.ToMin-s.FromMin), 0), 1)
	}
	return given
}

// Countable says that drops at this rate a minute can be counted by eye: there are any,
// and not too many.
func Countable(dropsPerMin float64) bool { return dropsPerMin > 0 && dropsPerMin <= countablePerMin }

// litreInMinutes is the rate of a litre in so many minutes.
func (d drip) litreInMinutes(m float64) string { return num(1000 / m * 60 / d.weight) }

func (d drip) judge(r *DripResult) {
	if d.weight == 0 {
		r.caution(noDripWeight.With())
	}
	// A hair of rounding must not ask for a reason.
	if r.PlateauMlPerKgPerH > d.ceiling*(1+1e-9) {
		r.caution(overCeiling.With(num(r.PlateauMlPerKgPerH), num(d.ceiling), d.litreInMinutes(30), d.litreInMinutes(20)))
	}
	if d.label > 0 && r.PlateauMlPerKgPerH > d.label*(1+1e-9) {
		r.caution(rateOverLabel.With(num(r.PlateauMlPerKgPerH), num(d.label)))
	}
	if d.in.NoSlowStart {
		r.caution(noSlowStart.With())
	}
	if plateau := r.Stages[len(r.Stages)-1].DropsPerMin; plateau > 0 && !Countable(plateau) {
		r.caution(dropsNotCounted.With(num(plateau), num(countablePerMin)))
	}
}

func (d drip) explain(r *DripResult) {
	for _, s := range r.Stages {
		r.step("%s to %s min: %s mL, %s mL/h%s%s", s.FromMin, s.ToMin, s.VolumeMl, s.MlPerH,
			unless(d.weight == 0, ", %s mL/kg/h", s.MlPerKgPerH), unless(d.drops == 0, ", %s drops/min", s.DropsPerMin))
	}
	r.step("average %s mL / %s min x 60 = %s mL/h, the slow start included", d.volume, r.TotalMin, r.AverageMlPerH)
	if d.weight > 0 {
		r.step("the field's 'a litre in 20 to 30 minutes' would be %s to %s mL/kg/h here; the ceiling is %s", d.litreInMinutes(30), d.litreInMinutes(20), d.ceiling)
		r.source(srcCeiling)
	}
	if d.drops > 0 {
		r.step("drops: mL/min x %s drops/mL; a set may be 10 %% off: %s to %s drops/min on average", d.drops, r.DropsPerMinTolerance.Low, r.DropsPerMinTolerance.High)
		r.say(countDropsSlow)
		r.source(srcDrops)
	}
	if len(r.Stages) > 1 {
		start := srcStartFoal
		switch {
		case d.in.StartMlPerKg != nil || d.in.StartMin != nil:
			start = srcStartOwn
		case d.in.Adult:
			start = srcStartAdult
		}
		r.source(start)
	}
	r.source(srcVitals)
	r.say(labelDecides)
}

// unless fills in a number where it is known.
func unless(absent bool, format string, v float64) string {
	if absent {
		return ""
	}
	return fmt.Sprintf(format, num(v))
}
