package engine

import (
	"fmt"
	"math"
)

// meltFromBagKJPerKg is what one kg takes from the freezer's cold to melted.
func (t thaw) meltFromBagKJPerKg() float64 {
	return frozenKJPerKgK*(plasmaMeltC-t.bagC) + meltKJPerKg
}

// heatTo is what all bags take from the freezer's cold to c, in kJ.
func (t thaw) heatTo(c float64) float64 {
	return t.plasmaKg * (t.meltFromBagKJPerKg() + thawedKJPerKgK*(c-plasmaMeltC))
}

// meets is where bags and bucket come to the same temperature, after a loss in
// kJ; false when the heat does not even melt them.
func (t thaw) meets(lostKJ float64) (float64, bool) {
	// plasmaKg x (melt + cu (T - Tm)) = waterKg x cw x (Tw - T) - lost
	spare := t.waterKg*waterKJPerKgK*(*t.in.WaterTempC-plasmaMeltC) - lostKJ - t.heatTo(plasmaMeltC)
	if spare <= 0 {
		return plasmaMeltC, false
	}
	return plasmaMeltC + spare/(t.waterKg*waterKJPerKgK+t.plasmaKg*thawedKJPerKgK), true
}

// bucketLossWPerK is what a bucket loses for each K over the air: 3.3 W/K for
// 10 L. Ours: 10 W/m2K from its wall, three times that from the open water.
func bucketLossWPerK(litres float64) float64 { return 0.7 * math.Cbrt(litres*litres) }

// bucket answers for water that nobody tops up.
func (t thaw) bucket(r *ThawResult) {
	lossWPerK := 0.0
	if t.in.AirC != nil {
		lossWPerK = bucketLossWPerK(*t.in.WaterL)
	} else {
		r.caution(airMissing.With())
	}
	mid, melts := t.bath(t.thicknessMm.Mid, t.h.Mid, halfStill, lossWPerK).melt()
	early, meltsEarly := t.bath(t.thicknessMm.Low, t.h.High, 0, lossWPerK).melt()
	late, meltsLate := t.bath(t.thicknessMm.High, t.h.Low, 1, lossWPerK).melt()
	end, enough := t.meets(mid.lostKJ)
	r.WaterEndC = &end
	r.first("before the bag goes in: the water will cool from " + num(*t.in.WaterTempC) + " C to about " + num(end) + " C; have hot water ready where that is under 30 C")
	r.step("water bath: %s kg of water at %s C and %s kg of plasma at %s C meet at %s C; lost to the air meanwhile %s kJ",
		t.waterKg, *t.in.WaterTempC, t.plasmaKg, t.bagC, end, mid.lostKJ)
	if !enough || !melts || !meltsEarly {
		r.caution(bucketCannot.With(t.bagText(), num(t.heatTo(plasmaMeltC))))
		return
	}
	if !meltsLate {
		r.caution(bucketMayNot.With(t.bagText(), num(late.minutes)))
	}
	if end < bathLowC {
		r.caution(bucketEndsCool.With(num(end)))
	}
	r.ThawMinutes = &Range{early.minutes, mid.minutes, late.minutes}
	r.step("the water bath cools while the bag melts: %s min; early: kneaded, late: still", r.ThawMinutes)
	t.sourceSurface(r)
}

func (t thaw) bagText() string {
	if t.bags == 1 {
		return "this bag"
	}
	return fmt.Sprintf("these %d bags", t.bags)
}

// fetch answers how much hot water brings bags and bucket to EndAtC.
func (t thaw) fetch(r *ThawResult) {
	hot, end := *t.in.HotC, *t.in.EndAtC
	need, have := t.heatTo(end), 0.0
	if t.waterKg > 0 {
		have = t.waterKg * waterKJPerKgK * (*t.in.WaterTempC - end)
	}
	kg := max(need-have, 0) / (waterKJPerKgK * (hot - end))
	r.WaterNeededKg = &kg
	if t.plasmaKg == 0 {
		r.step("top-up, with the bag lifted out: %s kg x (%s - %s) C / (%s - %s) C = %s kg, not below 0",
			t.waterKg, end, *t.in.WaterTempC, hot, end, kg)
		r.say(bagLiftedOut)
		return
	}
	r.step("hot water: (%s kJ to bring the plasma to %s C - %s kJ from the water bath) / (%s x (%s - %s)) = %s kg",
		need, end, have, waterKJPerKgK, hot, end, kg)
	r.say(bagLiftedOut)
	if t.waterKg == 0 && hot > bathRefuseC {
		r.caution(hotWithoutBucket.With(num(hot)))
		if end < bathCautionC-1 {
			r.step("of water mixed to %s C it takes %s kg", bathCautionC, t.heatTo(end)/(waterKJPerKgK*(bathCautionC-end)))
		}
		return
	}
	mixed := hot
	if t.waterKg > 0 {
		mixed = (t.waterKg**t.in.WaterTempC + kg*hot) / (t.waterKg + kg)
	}
	if kg > 0 && mixed > bathCautionC {
		r.caution(hotInPortions.With(num(mixed)))
	}
}

// bath is a bucket with bags in it: the slab melts from both faces, the melt
// carries heat as a plate whose thickness grows, the water cools.
type bath struct {
	waterC, airC    float64
	waterKJPerK     float64
	faceM2          float64 // of all bags, both sides
	halfM           float64 // half the thickness: what melts from each face
	meltKJPerM3     float64
	h, share        float64 // see meltMinutes
	lossKWPerK      float64
	constantMinutes float64 // time to melt if the water kept its temperature
}

func (t thaw) bath(mm, h, share, lossWPerK float64) bath {
	l := t.meltFromBagKJPerKg()
	b := bath{
		waterC: *t.in.WaterTempC, waterKJPerK: t.waterKg * waterKJPerKgK,
		faceM2: 2 * t.plasmaKg / (plasmaKgPerL * 1000) / (mm / 1000), halfM: mm / 2000,
		meltKJPerM3: plasmaKgPerL * 1000 * l, h: h, share: share, lossKWPerK: lossWPerK / 1000,
		constantMinutes: meltMinutes(l, *t.in.WaterTempC, mm, h, share),
	}
	if t.in.AirC != nil {
		b.airC = *t.in.AirC
	}
	return b
}

// melted is the end of a melt, or of the heat.
type melted struct {
	minutes, waterC, lostKJ float64
}

const (
	bathSteps     = 16   // to the middle of the slab
	bathPatience  = 20   // times what a constant bath would take; then the heat has ended
	leastWarmKelv = 0.05 // over the melting point; below, nothing moves
	// warmthAStep is the most of the water's warmth over the melting point that one
	// step may take: where the heat runs out, steps are short.
	warmthAStep = 0.2
)

// melt follows the melt from the faces to the middle of the slab by the classical
// Runge-Kutta rule; false when the heat ends before the ice. It goes by depth and not by
// time, so that the last step ends where the ice does. (By time it takes
// 400 steps; the tests hold this to a grid of thin layers.)
func (b bath) melt() (melted, bool) {
	m := melted{waterC: b.waterC}
	patienceS := b.constantMinutes * 60 * bathPatience
	seconds := 0.0
	for depth := 0.0; depth < b.halfM; {
		warm := m.waterC - plasmaMeltC
		if warm < leastWarmKelv || seconds >= patienceS {
			m.minutes = min(seconds, patienceS) / 60
			return m, false
		}
		step := b.halfM / bathSteps
		if drop := -b.slopes(depth, m.waterC).waterC * step; drop > warm*warmthAStep {
			step *= warm * warmthAStep / drop
		}
		last := step >= (b.halfM-depth)*(1-1e-9)
		if last {
			step = b.halfM - depth
		}
		d1 := b.slopes(depth, m.waterC)
		d2 := b.slopes(depth+step/2, m.waterC+d1.waterC*step/2)
		d3 := b.slopes(depth+step/2, m.waterC+d2.waterC*step/2)
		d4 := b.slopes(depth+step, m.waterC+d3.waterC*step)
		sixth := func(a, b, c, d float64) float64 { return (a + 2*b + 2*c + d) * step / 6 }
		seconds += sixth(d1.seconds, d2.seconds, d3.seconds, d4.seconds)
		m.waterC += sixth(d1.waterC, d2.waterC, d3.waterC, d4.waterC)
		m.lostKJ += sixth(d1.lostKJ, d2.lostKJ, d3.lostKJ, d4.lostKJ)
		if depth += step; last {
			break
		}
	}
	m.minutes = seconds / 60
	return m, true
}

// slopes are what a metre of melt takes at this depth: time, the water's warmth, and
// heat lost to the air.
type slopes struct{ seconds, waterC, lostKJ float64 }

func (b bath) slopes(depth, water float64) slopes {
	warm := max(water-plasmaMeltC, leastWarmKelv/10)
	flux := warm / (1/b.h + b.share*depth/thawedWPerMK) / 1000 // kW/m2
	seconds := b.meltKJPerM3 / flux
	loss := b.loss(water)
	return slopes{seconds, -(flux*b.faceM2 + loss) * seconds / b.waterKJPerK, loss * seconds}
}

// loss to the air in kW. A warm barn's heat is not counted on: it takes hours.
func (b bath) loss(water float64) float64 { return b.lossKWPerK * max(water-b.airC, 0) }
