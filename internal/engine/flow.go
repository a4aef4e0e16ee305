package engine

import (
	"fmt"
	"math"
	"strconv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// FlowInput describes a bag above a vein with the clamp open.
type FlowInput struct {
	CatheterGauge    *float64 // 10 to 24, even; or
	CatheterMm       *float64 // its inner diameter
	CatheterLengthMm *float64 // nil: 130, a long jugular catheter
	TubeMm           *float64 // nil: 3.0
	TubeM            *float64 // nil: 1.5; 0: no tube
	HeadCm           *float64 // bag over the vein; nil: 100
	VenousCmH2O      *float64 // nil: 12 (6 to 18)
	ViscosityMPas    *float64 // nil: by PlasmaTempC
	PlasmaTempC      *float64 // nil: 37
	DensityKgPerM3   *float64 // nil: 1026
	KLoss            *float64 // nil: 1.5 (1 to 2.5)
	VolumeMl         *float64 // nil: no minutes
	WeightKg         *float64 // nil: no rate per kg

	CeilingMlPerKgPerH *float64 // the practice's own ceiling
}

// FlowResult is the flow with the clamp open. Low and high carry what was not
// given exactly (viscosity, loss, venous pressure); low also that flow in the
// animal was measured 7 to 21 % under the bench.
type FlowResult struct {
	Basis
	FlowMlPerMin       Range
	PoiseuilleMlPerMin float64 // without the loss: too much for short wide catheters
	TorricelliMlPerMin float64 // no flow can be more
	Reynolds           float64 // in the catheter, at the middle
	Minutes            *Range
	MlPerKgPerH        *Range
}

// Gauge is a catheter size in words. Colours are words only.
type Gauge struct {
	Gauge            int
	OuterMm, InnerMm float64 // usual; makers differ
	Colour           string
	Source           string
}

const (
	srcGaugeIso    = "ISO 10555-5 outer diameter and colour (from memory); inner diameter from the sizes in ESA abstract 3AP8-8, Eur J Anaesthesiol 2007"
	srcGaugeMemory = "outer and inner diameter from memory: measure, or take the maker's sheet"
)

// Gauges lists the sizes in use, widest first.
func Gauges() []Gauge {
	return []Gauge{
		{10, 3.4, 2.7, "", srcGaugeMemory},
		{12, 2.8, 2.2, "", srcGaugeMemory},
		{14, 2.1, 1.55, "orange", srcGaugeIso},
		{16, 1.8, 1.3, "medium grey", srcGaugeIso},
		{18, 1.3, 0.95, "deep green", srcGaugeIso},
		{20, 1.1, 0.75, "pink", srcGaugeIso},
		{22, 0.9, 0.6, "deep blue", srcGaugeMemory},
		{24, 0.7, 0.47, "yellow", srcGaugeMemory},
	}
}

const (
	standardGravity = 9.80665
	paPerCmH2O      = 98.0665
	inAnimalLow     = 0.79 // of the bench
	wideMm          = 1.3  // 16 gauge

	srcFlowModel   = "tube and catheter in series, laminar, with K x rho v²/2 for entry and exit: K 1.5 is an engineering choice (Hagenbach's correction, from memory)"
	srcNotLaminar  = "cannula flow is neither laminar nor turbulent: McPherson et al., Anesth Analg 2009;108:1198-1202"
	srcInAnimal    = "in the animal 7 % (dog, JAVMA 1991;198:1622-1624) to 21 % (large animals, Nolen-Walston, J Vet Emerg Crit Care 2012;22:661) under the bench"
	srcViscosity   = "plasma 37 C: 1.10 mPa.s ('Plasma and blood viscosities and aggregation of red cells in racehorses', n 19) to 1.39 (humans, 'Distribution of blood viscosity values', n 126); with temperature as water (Kukulka 1981)"
	srcWide        = "14 and 16 gauge at half of the model: JAVMA 1991;198:1622-1624 (dog); large-animal set, Semina Cienc Agrar 2009;30:915"
	srcVenousAdult = "venous pressure 12 +/- 6 cmH2O, adult horses: Hall & Nigam, Vet Rec 1975;97:66-69; no figure for foals was found"
	srcTube        = "tube 1.5 m: least length in ISO 1135-4, 5.5.2; inner diameter 3 mm and catheter 130 mm: common practice"
)

var (
	openClamp = caution.Define("open_clamp_over_ceiling", caution.Caution,
		"With the clamp open about %s mL/kg/h would run in (%s to %s), %s times the ceiling of %s: set the rate with the clamp and follow the mL marks.")
	smallHead = caution.Define("little_head", caution.Caution,
		"The bag hangs %s cm over the vein, the vein's pressure is %s cmH2O: little or nothing runs in, or blood runs back.")
)

// Limits of the flow's inputs are ours.
var (
	boundsCatheterMm = bounds{field: "catheter_mm", unit: "mm", hardLow: 0.2, hardHigh: 8, likelyLow: 0.4, likelyHigh: 3.5, hint: "the inner diameter, not the gauge"}
	boundsCatheterL  = bounds{field: "catheter_length_mm", unit: "mm", hardLow: 5, hardHigh: 600, likelyLow: 15, likelyHigh: 300, hint: "mm, not cm or inches"}
	boundsTubeMm     = bounds{field: "tube_mm", unit: "mm", hardLow: 0.5, hardHigh: 15, likelyLow: 1.5, likelyHigh: 8, hint: "the inner diameter"}
	boundsTubeM      = bounds{field: "tube_m", unit: "m", hardHigh: 10, likelyHigh: 5, hint: "metres, not cm"}
	boundsHead       = bounds{field: "head_cm", unit: "cm", hardLow: 1, hardHigh: 500, likelyLow: 20, likelyHigh: 250, hint: "cm, not metres"}
	boundsVenous     = bounds{field: "venous_cmh2o", unit: "cmH2O", hardLow: -20, hardHigh: 80, likelyLow: -5, likelyHigh: 40, hint: "mmHg? 1 mmHg is 1.36 cmH2O"}
	boundsViscosity  = bounds{field: "viscosity_mpas", unit: "mPa.s", hardLow: 0.3, hardHigh: 20, likelyLow: 0.6, likelyHigh: 5, hint: "mPa.s is the same as cP"}
	boundsPlasmaTemp = bounds{field: "plasma_temp_c", unit: "C", hardLow: 20, hardHigh: 40, likelyLow: 28, likelyHigh: 39, hint: "Fahrenheit? 98 F is 37 C"}
	boundsDensity    = bounds{field: "density_kg_per_m3", unit: "kg/m3", hardLow: 900, hardHigh: 1200, likelyLow: 990, likelyHigh: 1070, hint: "g/mL? 1.026 g/mL is 1026 kg/m3"}
	boundsKLoss      = bounds{field: "k_loss", unit: "of rho v²/2", hardHigh: 20, likelyHigh: 5, hint: "1 to 2.5; the default is 1.5"}
)

var (
	plasma37MPas    = Range{1.10, 1.24, 1.39}
	defaultKLoss    = Range{1, 1.5, 2.5}
	defaultVenous   = Range{6, 12, 18}
	defaultHeadCm   = 100.0
	defaultTubeMm   = 3.0
	defaultTubeM    = 1.5
	defaultLengthMm = 130.0
)

// flow is a checked FlowInput with its defaults filled in.
type flow struct {
	catheterMm, lengthMm, tubeMm, tubeM float64
	headCm, density                     float64
	venous, viscosity, k                Range
	ceiling                             float64
}

// Flow computes the flow under gravity from
//
//	rho g h - venous pressure = sum(128 mu L Q / pi d^4) + K rho v^2 / 2
//
// with v in the catheter: a quadratic in Q. Poiseuille alone is Q without the
// last term. Published flows that the model misses are in testdata/engine/flow.csv
// with the size of the miss.
func Flow(in FlowInput) (FlowResult, error) {
	var r FlowResult
	f, err := readFlow(in, &r.Basis)
	if err != nil {
		return FlowResult{}, err
	}
	mid := f.line(f.viscosity.Mid, f.k.Mid, f.venous.Mid)
	low := f.line(f.viscosity.High, f.k.High, f.venous.High)
	high := f.line(f.viscosity.Low, f.k.Low, f.venous.Low)
	r.FlowMlPerMin = Range{low.flow() * inAnimalLow, mid.flow(), high.flow()}
	r.PoiseuilleMlPerMin = mid.poiseuille()
	r.TorricelliMlPerMin = f.torricelli()
	r.Reynolds = f.reynolds(r.FlowMlPerMin.Mid)
	f.explain(&r, mid)
	if err := f.perPatient(in, &r); err != nil {
		return FlowResult{}, err
	}
	r.source(srcFlowModel, srcNotLaminar, srcInAnimal, srcViscosity, srcVenousAdult, srcTube)
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

func readFlow(in FlowInput, b *Basis) (flow, error) {
	c := &inputs{basis: b}
	f := flow{
		catheterMm: c.catheter(in),
		lengthMm:   c.or(boundsCatheterL, in.CatheterLengthMm, defaultLengthMm),
		tubeMm:     c.or(boundsTubeMm, in.TubeMm, defaultTubeMm),
		tubeM:      c.or(boundsTubeM, in.TubeM, defaultTubeM),
		headCm:     c.or(boundsHead, in.HeadCm, defaultHeadCm),
		density:    c.or(boundsDensity, in.DensityKgPerM3, plasmaKgPerL*1000),
		venous:     c.exactOr(boundsVenous, in.VenousCmH2O, defaultVenous),
		k:          c.exactOr(boundsKLoss, in.KLoss, defaultKLoss),
		ceiling:    c.or(boundsRateCeiling, in.CeilingMlPerKgPerH, cautiousCeiling),
	}
	thinner := waterMPas(c.or(boundsPlasmaTemp, in.PlasmaTempC, 37)) / waterMPas(37)
	f.viscosity = c.exactOr(boundsViscosity, in.ViscosityMPas,
		Range{plasma37MPas.Low * thinner, plasma37MPas.Mid * thinner, plasma37MPas.High * thinner})
	return f, c.err
}

// exactOr takes an exact value, or a default that has a width.
func (c *inputs) exactOr(b bounds, v *float64, absent Range) Range {
	if v == nil {
		return absent
	}
	return Exactly(c.one(b, *v))
}

// catheter is the inner diameter, given or by gauge.
func (c *inputs) catheter(in FlowInput) float64 {
	if (in.CatheterGauge == nil) == (in.CatheterMm == nil) {
		c.refuse(refusal.New("catheter_gauge", "", "either catheter_gauge or catheter_mm, and not both"))
		return 0
	}
	if in.CatheterMm != nil {
		return c.one(boundsCatheterMm, *in.CatheterMm)
	}
	for _, g := range Gauges() {
		if float64(g.Gauge) == *in.CatheterGauge {
			c.basis.step("%d gauge: %s mm inside", g.Gauge, g.InnerMm)
			c.basis.source(g.Source)
			return g.InnerMm
		}
	}
	c.refuse(refusal.New("catheter_gauge", num(*in.CatheterGauge), "10, 12, 14, 16, 18, 20, 22 or 24").Because("millimetres go into catheter_mm"))
	return 0
}

// waterMPas is the viscosity of water, straight lines between the points of
// Kukulka's table (1981).
func waterMPas(c float64) float64 {
	table := [...][2]float64{{20, 1.0017}, {25, 0.8904}, {35, 0.7185}, {40, 0.6517}}
	i := 1
	for i < len(table)-1 && c > table[i][0] {
		i++
	}
	from, to := table[i-1], table[i]
	return from[1] + (to[1]-from[1])*(c-from[0])/(to[0]-from[0])
}

// line is a Q + b Q² = pressure, in SI units.
type line struct{ a, b, pressure float64 }

func (f flow) line(mPas, k, venous float64) line {
	area := circle(f.catheterMm)
	return line{
		a:        poiseuillePaPerFlow(mPas, f.tubeM, f.tubeMm) + poiseuillePaPerFlow(mPas, f.lengthMm/1000, f.catheterMm),
		b:        k * f.density / (2 * area * area),
		pressure: max(f.density*standardGravity*f.headCm/100-venous*paPerCmH2O, 0),
	}
}

// poiseuillePaPerFlow is 128 mu L / (pi d^4) in Pa for each m3/s.
func poiseuillePaPerFlow(mPas, metres, mm float64) float64 {
	d := mm / 1000
	return 128 * mPas / 1000 * metres / (math.Pi * d * d * d * d)
}

func circle(mm float64) float64 { return math.Pi / 4 * mm * mm / 1e6 }

const mlPerMin = 60e6 // of one m3/s

// flow solves the quadratic in the form that stays exact for a small b.
func (l line) flow() float64 {
	return 2 * l.pressure / (l.a + math.Sqrt(l.a*l.a+4*l.b*l.pressure)) * mlPerMin
}

func (l line) poiseuille() float64 { return l.pressure / l.a * mlPerMin }

// torricelli is a free jet from the catheter's opening.
func (f flow) torricelli() float64 {
	return circle(f.catheterMm) * math.Sqrt(2*standardGravity*f.headCm/100) * mlPerMin
}

func (f flow) reynolds(mlMin float64) float64 {
	return 4 * f.density * mlMin / mlPerMin / (math.Pi * f.catheterMm / 1000 * f.viscosity.Mid / 1000)
}

func (f flow) explain(r *FlowResult, mid line) {
	if mid.pressure == 0 || f.headCm < f.venous.High {
		r.caution(smallHead.With(num(f.headCm), f.venous.text()))
	}
	r.step("pressure %s kg/m3 x g x %s cm - %s cmH2O = %s Pa", f.density, f.headCm, f.venous, mid.pressure)
	r.step("tube %s m x %s mm, catheter %s mm x %s mm, %s mPa.s: a = %s, b = %s (K %s)", f.tubeM, f.tubeMm, f.lengthMm, f.catheterMm,
		f.viscosity, strconv.FormatFloat(mid.a, 'g', 5, 64), strconv.FormatFloat(mid.b, 'g', 5, 64), f.k)
	r.step("a Q + b Q² = pressure: %s mL/min; Poiseuille alone would say %s, a free jet is %s", r.FlowMlPerMin, r.PoiseuilleMlPerMin, r.TorricelliMlPerMin)
	r.step("low end: 21 %% less in the animal than on the bench")
	if f.catheterMm >= wideMm {
		r.say("through 14 and 16 gauge half of our middle was measured (dog; large-animal set): it may take twice as long")
		r.source(srcWide)
	}
}

// perPatient adds the minutes and the rate per kg where they can be told.
func (f flow) perPatient(in FlowInput, r *FlowResult) error {
	c := &inputs{basis: &r.Basis}
	volume, weight := c.or(boundsDripVolume, in.VolumeMl, 0), c.or(boundsWeight, in.WeightKg, 0)
	q := r.FlowMlPerMin
	if c.err != nil {
		return c.err
	}
	if volume > 0 && q.Low > 0 {
		r.Minutes = &Range{volume / q.High, volume / q.Mid, volume / q.Low}
		r.step("%s mL in %s min with the clamp open", volume, r.Minutes)
	}
	if weight > 0 {
		rate := Range{q.Low * 60 / weight, q.Mid * 60 / weight, q.High * 60 / weight}
		r.MlPerKgPerH = &rate
		if rate.Mid > f.ceiling {
			r.caution(openClamp.With(num(rate.Mid), num(rate.Low), num(rate.High), fmt.Sprintf("%.1f", rate.Mid/f.ceiling), num(f.ceiling)))
		}
	}
	return nil
}
