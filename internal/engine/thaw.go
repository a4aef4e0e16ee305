package engine

import (
	"fmt"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// ThawInput describes one of three questions, or two of them together: how long
// a bath held at a temperature takes (HeldAtC); what one bucket that nobody
// tops up can do (WaterL, WaterTempC, BagMl); how much hot water to fetch
// (HotC, EndAtC, BagMl, with or without the bucket). A bucket and hot water
// without BagMl ask for the top-up while the bag is lifted out.
type ThawInput struct {
	HeldAtC        *float64
	BagThicknessMm *float64 // of the frozen bag, lying flat; nil: 30 to 50 mm
	HWPerM2K       *float64 // between water and bag; nil: 100 to 250

	BagMl      *float64 // of one bag
	Bags       *int     // nil: 1
	BagTempC   *float64 // nil: -20
	WaterL     *float64
	WaterTempC *float64
	AirC       *float64 // barn air; nil: no loss to the air is counted

	HotC   *float64 // hot water to add, with the bag lifted out
	EndAtC *float64 // where bag and bath should end

	LabelMaxC *float64 // the warmest bath that the label allows

	Recorded []ThawRecord // the practice's own thaws; they move the middle estimate
}

// ThawResult answers what was asked; the rest is nil.
type ThawResult struct {
	Basis
	ConductionMinutes *float64 // held bath: melting by conduction alone, an upper bound for the melting
	ThawMinutes       *Range   // with the warming of the ice; nil for a bucket that cannot thaw
	HeatToMeltKJ      *float64 // to melt all bags, from the freezer's cold
	WaterEndC         *float64 // where bag and bucket meet, nothing added
	WaterNeededKg     *float64 // hot water to add for EndAtC
	Learned           ThawLearned
}

// Material values. Plasma is taken as water with 8 % solids.
const (
	plasmaKgPerL    = 1.026
	plasmaMeltC     = -0.54 // 0.290 osmol/kg x 1.858 K
	meltKJPerKg     = 306.82
	frozenKJPerKgK  = 2.05
	thawedKJPerKgK  = 3.93
	thawedWPerMK    = 0.57
	waterKJPerKgK   = 4.186
	waterKgPerL     = 1.0 // 0.99 at 40 C: less than a bucket's marks are off
	bathRefuseC     = 45.0
	bathCautionC    = 40.0
	bathLowC        = 30.0
	defaultBagTempC = -20.0
	halfStill       = 0.5 // share of the melt's conduction in the middle estimate: half-way between kneaded and still

	srcPlank      = "Plank's equation for a slab with the melt's conductivity: Caballero (ed.), Encyclopaedia of Food Sciences and Nutrition, freezing times"
	srcPlasma     = "plasma: 92 % water x 333.5 kJ/kg, cp 3.93 kJ/kgK, 0.57 W/mK, 1026 kg/m3 (Duck 1990, Physical Properties of Tissue, from memory)"
	srcBath       = "water bath 30-37 C, no microwave: Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery, ch. 6; caution over 40 and refusal over 45 C are ours"
	srcHeatDamage = "57 C for 50 min lost 16.5 % of IgG: O'Rielly, Aust Vet J 1993"
	srcSurface    = "100 to 250 W/m2K between water and bag (ours), as 57 to 248 in Carino-Sarabia & Velez-Ruiz, J Food Eng 2013;115:173-181"
	byEyeAndHand  = "at the time check by eye and hand: no ice, no lumps; the clock never says 'thawed'"
	bagLiftedOut  = "hot water goes in with the bag lifted out: add, stir, measure, put back; the ports stay dry; never microwave"
)

var (
	defaultThicknessMm = Range{30, 40, 50}    // a litre bag lying flat (ours)
	defaultHWPerM2K    = Range{100, 150, 250} // hardly moved to stirred (ours, within the published)
)

var (
	bathWarm = caution.Define("bath_over_40", caution.Caution,
		"%s C is over 40 C: hold the water bath at 30 to 37 C. At 57 C a sixth of the IgG was lost.")
	bathOverLabel = caution.Define("bath_over_label", caution.Reason,
		"%s C is over the label's %s C.")
	bathCool = caution.Define("bath_under_30", caution.Note,
		"%s C is under 30 C: it thaws, but slowly.")
	bucketCannot = caution.Define("bucket_cannot_thaw", caution.Reason,
		"Before the bag goes in: this water bath cannot thaw %s: its heat ends before the ice does. It takes %s kJ to melt.")
	bucketMayNot = caution.Define("bucket_may_not_thaw", caution.Caution,
		"If nobody moves %s, this water bath's heat ends after %s min, before the ice does: knead, or add hot water with the bag lifted out.")
	bucketEndsCool = caution.Define("bucket_ends_cool", caution.Caution,
		"Before the bag goes in: bag and water will meet at %s C, under 30 C: add hot water on the way, with the bag lifted out, or use more water.")
	hotInPortions = caution.Define("hot_water_in_portions", caution.Caution,
		"All of the hot water at once would make %s C: add it in portions, with the bag lifted out, and measure before the bag goes back. Never over 40 C.")
	hotWithoutBucket = caution.Define("hot_water_without_bucket", caution.Reason,
		"Not advised: a bag in water of %s C is over 45 C and would be quarantined. Mix the hot water with cold to 40 C at most before the bag goes in.")
	airMissing = caution.Define("barn_air_not_given", caution.Note,
		"The air's temperature was not given: what the water bath loses to a cold barn is not counted.")
)

// Limits of the thaw's inputs; those of the bath are ours.
var (
	boundsHeld = bounds{field: "held_at_c", unit: "C", hardLow: 1, hardHigh: bathRefuseC,
		hint: "a bag that has been in more than 45 C is quarantined until the vet decides; Fahrenheit? 98 F is 37 C"}
	boundsThickness = bounds{field: "bag_thickness_mm", unit: "mm", hardLow: 3, hardHigh: 200, likelyLow: 10, likelyHigh: 80,
		hint: "the whole thickness in mm, not cm and not half"}
	boundsSurface   = bounds{field: "h_w_per_m2k", unit: "W/m2K", hardLow: 2, hardHigh: 10000, likelyLow: 20, likelyHigh: 1500, hint: "W/m2K: still water about 100, stirred 250"}
	boundsBagTemp   = bounds{field: "bag_temp_c", unit: "C", hardLow: -90, hardHigh: plasmaMeltC, likelyLow: -40, likelyHigh: -5, hint: "the sign? a freezer is at -20 C"}
	boundsWaterL    = bounds{field: "water_l", unit: "L", hardLow: 0.5, hardHigh: 500, likelyLow: 4, likelyHigh: 100, hint: "litres, not mL"}
	boundsAir       = bounds{field: "air_c", unit: "C", hardLow: -40, hardHigh: 50, likelyLow: -25, likelyHigh: 40, hint: "Fahrenheit? 41 F is 5 C"}
	boundsHot       = bounds{field: "hot_c", unit: "C", hardLow: 5, hardHigh: 100, likelyLow: 30, likelyHigh: 100, hint: "Fahrenheit? 140 F is 60 C"}
	boundsEndAt     = named(boundsHeld, "end_at_c")
	boundsLabelBath = bounds{field: "label_max_c", unit: "C", hardLow: 1, hardHigh: 60, hint: "Fahrenheit? 98 F is 37 C"}
	boundsBathTemp  = named(boundsHeld, "water_temp_c")
)

const maxThawBags = 20

// named is the same limit for another field.
func named(b bounds, field string) bounds {
	b.field = field
	return b
}

// thaw is a checked ThawInput in SI-like units; absent optional values stay nil.
type thaw struct {
	in                ThawInput
	plasmaKg, waterKg float64 // 0: not given
	bagC              float64
	bags              int
	thicknessMm, h    Range
	learned           ThawLearned
}

// Thaw answers the questions of ThawInput. It refuses a bath over 45 C and
// questions that are not complete.
func Thaw(in ThawInput) (ThawResult, error) {
	var r ThawResult
	t, err := readThaw(in, &r.Basis)
	if err != nil {
		return ThawResult{}, err
	}
	r.Learned = t.learned
	if t.plasmaKg > 0 {
		melt := t.heatTo(plasmaMeltC)
		r.HeatToMeltKJ = &melt
		r.step("heat to melt: %s kg x (%s x (%s - %s) + %s) = %s kJ", t.plasmaKg, frozenKJPerKgK, plasmaMeltC, t.bagC, meltKJPerKg, melt)
	}
	if in.HeldAtC != nil {
		t.held(&r)
	}
	if t.waterKg > 0 && t.plasmaKg > 0 {
		t.bucket(&r)
	}
	if in.HotC != nil {
		t.fetch(&r)
	}
	if r.ThawMinutes != nil {
		t.moveMiddle(&r)
		r.say(byEyeAndHand)
	}
	r.source(srcPlasma, srcBath, srcHeatDamage)
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

func readThaw(in ThawInput, b *Basis) (thaw, error) {
	c := &inputs{basis: b}
	t := thaw{in: in, bags: 1, thicknessMm: defaultThicknessMm, h: defaultHWPerM2K,
		bagC: c.or(boundsBagTemp, in.BagTempC, defaultBagTempC)}
	if in.BagThicknessMm != nil {
		t.thicknessMm = Exactly(c.one(boundsThickness, *in.BagThicknessMm))
	}
	if in.HWPerM2K != nil {
		t.h = Exactly(c.one(boundsSurface, *in.HWPerM2K))
	}
	if in.Bags != nil {
		if t.bags = *in.Bags; t.bags < 1 || t.bags > maxThawBags {
			c.refuse(refusal.New("bags", *in.Bags, fmt.Sprintf("1 to %d bags in one water bath", maxThawBags)))
		}
	}
	t.plasmaKg = float64(t.bags) * c.or(boundsBag, in.BagMl, 0) / 1000 * plasmaKgPerL
	t.waterKg = c.or(boundsWaterL, in.WaterL, 0) * waterKgPerL
	c.or(boundsLabelBath, in.LabelMaxC, 0)
	c.bath(boundsHeld, in.HeldAtC, in.LabelMaxC)
	c.bath(boundsBathTemp, in.WaterTempC, in.LabelMaxC)
	c.bath(boundsEndAt, in.EndAtC, in.LabelMaxC)
	c.or(boundsAir, in.AirC, 0)
	c.or(boundsHot, in.HotC, 0)
	c.thawQuestion(in)
	learned, err := LearnThaw(in.Recorded)
	t.learned = learned
	if c.err == nil {
		c.err = err
	}
	return t, c.err
}

// bath checks the temperature of water in which a bag lies.
func (c *inputs) bath(b bounds, v, labelMax *float64) {
	if v == nil {
		return
	}
	if labelMax != nil && *v > *labelMax {
		c.basis.caution(bathOverLabel.With(num(*v), num(*labelMax)))
	}
	switch c.one(b, *v); {
	case *v > bathCautionC:
		c.basis.caution(bathWarm.With(num(*v)))
	case *v < bathLowC:
		c.basis.caution(bathCool.With(num(*v)))
	}
}

// BathOverLabel tells that a bath, in 0.1 C, is over what a label allows.
func BathOverLabel(bathDc, labelMaxDc int32) []caution.Raised {
	if bathDc <= labelMaxDc {
		return nil
	}
	return []caution.Raised{bathOverLabel.With(tenths(bathDc), tenths(labelMaxDc))}
}

// thawQuestion refuses what is not one of the three questions.
func (c *inputs) thawQuestion(in ThawInput) {
	needs := func(missing bool, field, want string) {
		if missing {
			c.refuse(refusal.New(field, "", want))
		}
	}
	bucket, fetch := in.WaterL != nil || in.WaterTempC != nil, in.HotC != nil || in.EndAtC != nil
	needs(!bucket && !fetch && in.HeldAtC == nil, "held_at_c", "the temperature at which the water bath is held, or water_l and water_temp_c of one that cools")
	needs(bucket && in.WaterL == nil, "water_l", "litres of water in the water bath")
	needs(bucket && in.WaterTempC == nil, "water_temp_c", "temperature of the water bath in C")
	needs(fetch && in.HotC == nil, "hot_c", "the hot water's temperature in C")
	needs(fetch && in.EndAtC == nil, "end_at_c", "where bag and water bath should end, 30 to 37 C")
	needs(bucket != fetch && in.BagMl == nil, "bag_ml", "the volume of one bag in mL")
	if bucket && in.HeldAtC != nil {
		c.refuse(refusal.New("held_at_c", num(*in.HeldAtC), "either a water bath held at a temperature or one that cools"))
	}
	if in.HotC != nil && in.EndAtC != nil && *in.HotC < *in.EndAtC+1 {
		c.refuse(refusal.New("hot_c", num(*in.HotC), "hotter than end_at_c by 1 C or more"))
	}
}

// plankSeconds is Plank's equation: volumetric latent heat in J/m3, the distance
// to the melting point in K, the FULL thickness or diameter in m, the surface's
// W/m2K, the conductivity of the changed layer in W/mK; shape factors P and R.
func plankSeconds(latent, kelvin, metres, h, k, p, r float64) float64 {
	return latent / kelvin * (p*metres/h + r*metres*metres/k)
}

// Shape factors of a slab.
const slabP, slabR = 1.0 / 2, 1.0 / 8

// meltMinutes is the time in a held bath for latent heat l in kJ/kg, with a
// share of the conduction through the melt: 1 is a still melt, 0 a kneaded one.
func meltMinutes(l, bathC, mm, h, share float64) float64 {
	return plankSeconds(plasmaKgPerL*l*1e6, bathC-plasmaMeltC, mm/1000, h, thawedWPerMK, slabP, slabR*share) / 60
}

// held answers for a bath that somebody keeps at its temperature. The early end
// is a kneaded bag (only the surface resists), the late end one that nobody
// touches in a melt that stands still, the middle half-way. What it misses: for
// human bags of 20 mm the middle is 2 to 8 min under the published 25; for a still
// melt the late end is 2 to 10 % under a fine grid, as the melt's own warming is
// left out. No timed thaw of a litre of horse plasma was found in print.
func (t thaw) held(r *ThawResult) {
	bath := *t.in.HeldAtC
	conduction := meltMinutes(meltKJPerKg, bath, t.thicknessMm.Mid, t.h.Mid, 1)
	r.ConductionMinutes = &conduction
	l := t.meltFromBagKJPerKg()
	r.ThawMinutes = &Range{
		Low:  meltMinutes(l, bath, t.thicknessMm.Low, t.h.High, 0),
		Mid:  meltMinutes(l, bath, t.thicknessMm.Mid, t.h.Mid, halfStill),
		High: meltMinutes(l, bath, t.thicknessMm.High, t.h.Low, 1),
	}
	r.step("with the ice warmed from %s C %s min (early: kneaded, late: still); melting by conduction alone %s min, an upper bound, as the melt moves and people knead: Plank, slab, %s kJ/kg x 1026 kg/m3 / %s K x (D/2h + D²/8k), D %s mm, h %s W/m2K, k %s W/mK, and %s kJ/kg with the warming",
		t.bagC, r.ThawMinutes, conduction, meltKJPerKg, bath-plasmaMeltC, t.thicknessMm.Mid, t.h.Mid, thawedWPerMK, l)
	t.sourceSurface(r)
}

func (t thaw) sourceSurface(r *ThawResult) {
	r.source(srcPlank)
	if t.in.HWPerM2K == nil {
		r.source(srcSurface)
	}
	if t.in.BagThicknessMm == nil {
		r.step("thickness not given: %s to %s mm, a litre bag lying flat (ours)", t.thicknessMm.Low, t.thicknessMm.High)
	}
}

// moveMiddle lets the practice's own thaws move the middle within the range.
func (t thaw) moveMiddle(r *ThawResult) {
	if t.learned.N == 0 {
		return
	}
	m := r.ThawMinutes
	mid := min(max(m.Mid*t.learned.Factor, m.Low), m.High)
	r.step("own thaws (%d) took %s times the estimate: middle %s min moves to %s min", t.learned.N, t.learned.Factor, m.Mid, mid)
	m.Mid = mid
}
