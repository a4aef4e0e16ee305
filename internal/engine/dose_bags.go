package engine

import (
	"math"
	"strconv"

	"thawtrail/internal/caution"
)

// BagPlan tells a plan's mL in bags. BagsTotal is the least number of bags that
// holds the middle volume: the last may be needed for a small part only, so
// OneFewer says what doing without it would give.
type BagPlan struct {
	BagsNow   int // bags to open now, the last perhaps for a part
	BagsTotal int
	Now       BagOutcome
	Total     BagOutcome
	OneFewer  *BagOutcome // nil when BagsTotal is under 2: none at all is no choice of bags
	Asked     *BagOutcome // nil unless a number of bags was asked about
}

// BagOutcome is what mL out of a number of bags give; the ranges are nil without
// donor IgG. The mL are less than the bags hold where only a part is meant.
type BagOutcome struct {
	Bags              int
	VolumeMl          float64
	VolumeMlPerKg     float64
	ExpectedRiseGPerL *Range
	ExpectedIgGGPerL  *Range
}

// smallPart is the share of a bag that is too small to be left over: the whole
// bag is given when no more would stay in it, and no further bag is opened for no
// more than that when the day's ceiling cuts it off (ours).
const smallPart = 1.0 / 8

const wholeBagRule = "whole bags: no more than an eighth of a bag is left over, and none is opened for so little before the ceiling (ours)"

var (
	lastBag = caution.Define("last_bag_mostly_spare", caution.Note,
		"%s mL is %s bags of %s mL: of the last bag only %s mL is needed. See what one bag fewer gives.")
	bagOverCeiling = caution.Define("bag_larger_than_ceiling", caution.Note,
		"One bag of %s mL is more than the %s mL left of one day's ceiling: give a part of it and stop at %s mL.")
)

// wholeMl is a volume as people are told it. It is rounded down, so that no
// ceiling is passed; a rounding error of the last bit takes no mL away.
func wholeMl(ml float64) string { return strconv.FormatInt(int64(ml+1e-6), 10) }

// size is the volume of the n-th bag, from 1.
func (d dosing) size(n int) float64 { return d.supply[min(n, len(d.supply))-1].ml }

// hold is what the first n bags hold.
func (d dosing) hold(n int) float64 {
	ml := 0.0
	for i := 1; i <= min(n, len(d.supply)); i++ {
		ml += d.size(i)
	}
	return ml + float64(max(0, n-len(d.supply)))*d.size(len(d.supply))
}

// opened is the least number of bags that holds a volume. A rounding error of
// the last bit does not open another bag.
func (d dosing) opened(ml float64) int {
	if ml <= 0 {
		return 0
	}
	listed := len(d.supply) - 1
	for n := 1; n <= listed; n++ {
		if d.hold(n) >= ml*(1-1e-9) {
			return n
		}
	}
	return max(1, listed+int(math.Ceil((ml-d.hold(listed))/d.size(listed+1)-1e-9)))
}

// filled is a volume, or the whole of its last bag where little would stay in it.
func (d dosing) filled(ml float64) float64 {
	if !d.counted {
		return ml
	}
	n := d.opened(ml)
	if full := d.hold(n); n > 0 && full-ml <= smallPart*d.size(n) {
		return full
	}
	return ml
}

// room is what the ceiling leaves of the day.
func (d dosing) room() float64 { return math.Max(0, d.limits.ceiling-d.given) }

// giveNow is what of a volume may be given now.
func (d dosing) giveNow(ml float64) float64 {
	room := d.room()
	if full := d.filled(ml); full <= room {
		return full
	}
	if ml <= room || !d.counted {
		return math.Min(ml, room)
	}
	n := d.opened(room)
	if whole := d.hold(n - 1); n > 1 && room-whole <= smallPart*d.size(n) {
		return whole
	}
	return room
}

// plan fills in what to give now and later, in mL and in bags, and returns the
// volume whose effect the result shows.
func (d dosing) plan(r *DoseResult) float64 {
	need := r.VolumeMl.Mid
	total := d.filled(need)
	r.GiveNowMl = d.giveNow(need)
	r.LaterMl = math.Max(0, total-r.GiveNowMl)
	if d.counted {
		r.RestOfBagMl = math.Max(0, d.hold(d.opened(r.GiveNowMl))-r.GiveNowMl)
		r.Bags = d.bags(r.GiveNowMl, total)
	}
	r.Now = d.sentence(r.GiveNowMl, need)
	d.explainNow(r, need)
	if r.Bags != nil && r.Bags.Asked != nil {
		return r.Bags.Asked.VolumeMl
	}
	return total
}

// bags tells what to give now and in all in bags.
func (d dosing) bags(now, total float64) *BagPlan {
	p := &BagPlan{BagsNow: d.opened(now), BagsTotal: d.opened(total), Now: d.outcome(now), Total: d.outcome(total)}
	if p.BagsTotal > 1 {
		fewer := d.outcome(d.hold(p.BagsTotal - 1))
		p.OneFewer = &fewer
	}
	if d.asked != nil {
		asked := d.outcome(d.hold(*d.asked))
		p.Asked = &asked
	}
	return p
}

// outcome is what a volume out of bags gives.
func (d dosing) outcome(ml float64) BagOutcome {
	o := BagOutcome{Bags: d.opened(ml), VolumeMl: ml, VolumeMlPerKg: ml / d.weight.Mid}
	o.ExpectedRiseGPerL, o.ExpectedIgGGPerL = d.expect(ml)
	return o
}

// ordinals count the bag of which a part is meant.
var ordinals = [...]string{"", "first", "second", "third", "fourth", "fifth", "sixth"}

// sentence is what may be given now, to read aloud. It never says '0 bags' while
// something may be given, nor a whole bag where a part is meant.
func (d dosing) sentence(now, need float64) string {
	switch {
	case need == 0:
		return "Now: nothing is lacking by this sum."
	case now == 0:
		return "Now: no more today. The ceiling of " + wholeMl(d.limits.ceiling) + " mL of plasma in 24 h is used up."
	case !d.counted:
		return "Now: " + wholeMl(now) + " mL."
	}
	n := d.opened(now)
	part := now - d.hold(n-1)
	switch whole := part > d.size(n)*(1-1e-9); {
	case whole:
		return "Now: " + wholeMl(now) + " mL: " + bagsText(n) + d.sizes(n) + "."
	case n == 1:
		return "Now: " + wholeMl(now) + " mL, part of one bag of " + num(d.size(1)) + ": stop at " + wholeMl(now) + "."
	}
	next := "one more"
	if n < len(ordinals) {
		next = "a " + ordinals[n]
	}
	return "Now: " + wholeMl(now) + " mL: " + bagsText(n-1) + " and " + wholeMl(part) + " mL of " + next + ": stop there."
}

// sizes names the size of the first n bags where they have one.
func (d dosing) sizes(n int) string {
	for i := 2; i <= min(n, len(d.supply)); i++ {
		if d.size(i) != d.size(1) {
			return ""
		}
	}
	return " of " + num(d.size(1)) + " mL"
}

func bagsText(n int) string {
	if n == 1 {
		return "1 bag"
	}
	return strconv.Itoa(n) + " bags"
}

// explainNow puts the sentence before all other steps, and the rest after them.
func (d dosing) explainNow(r *DoseResult, need float64) {
	r.first(r.Now)
	if r.LaterMl > 0 {
		r.step("later: %s mL; recheck IgG before", r.LaterMl)
	}
	if r.Bags == nil {
		return
	}
	r.outcome("now", r.Bags.Now)
	r.outcome("in all", r.Bags.Total)
	if r.Bags.OneFewer != nil {
		r.outcome("one bag fewer", *r.Bags.OneFewer)
	}
	if r.Bags.Asked != nil {
		r.outcome("asked", *r.Bags.Asked)
	}
	if r.GiveNowMl != math.Min(need, d.room()) {
		r.say(wholeBagRule)
	}
	if r.RestOfBagMl >= 1 {
		r.step("%s mL stay in the last bag: use them within 4 h of its set being attached, or sooner if its own clock ends sooner", r.RestOfBagMl)
		r.source(srcSetAttached)
	}
	d.warnBags(r, need)
}

// outcome adds one line on a volume in bags.
func (b *Basis) outcome(what string, o BagOutcome) {
	if o.ExpectedIgGGPerL == nil {
		b.step("%s: %s mL = %s mL/kg, from %s", what, o.VolumeMl, o.VolumeMlPerKg, bagsText(o.Bags))
		return
	}
	b.step("%s: %s mL = %s mL/kg, from %s: rise %s g/L, IgG %s g/L", what, o.VolumeMl, o.VolumeMlPerKg, bagsText(o.Bags), o.ExpectedRiseGPerL, o.ExpectedIgGGPerL)
}

// warnBags says when bags and the sum fit badly: the last bag needed for less
// than half, or a first bag that the ceiling cuts.
func (d dosing) warnBags(r *DoseResult, need float64) {
	if n := r.Bags.BagsTotal; n > 1 {
		if of := need - d.hold(n-1); of < d.size(n)/2 {
			r.caution(lastBag.With(num(need), num(float64(n-1)+of/d.size(n)), num(d.size(n)), num(of)))
		}
	}
	if room := d.room(); room > 0 && room < d.size(1) && need > room {
		r.caution(bagOverCeiling.With(num(d.size(1)), wholeMl(room), wholeMl(r.GiveNowMl)))
	}
}
