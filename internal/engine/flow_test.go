package engine

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestFlowAgainstPublishedWithTheSizeOfTheMiss(t *testing.T) {
	for _, row := range published(t, "flow.csv") {
		r, err := Flow(FlowInput{
			CatheterGauge: row.maybe(t, "gauge"), CatheterMm: row.maybe(t, "catheter_mm"), CatheterLengthMm: row.maybe(t, "length_mm"),
			TubeM: row.maybe(t, "tube_m"), HeadCm: row.maybe(t, "head_cm"), VenousCmH2O: row.maybe(t, "venous_cmh2o"),
			ViscosityMPas: row.maybe(t, "viscosity_mpas"), DensityKgPerM3: row.maybe(t, "density_kg_per_m3"),
		})
		require.NoError(t, err, row)
		assert.InDelta(t, row.num(t, "model_over_published"), r.FlowMlPerMin.Mid/row.num(t, "ml_per_min"), row.num(t, "within"), row)
		inside := "inside"
		if published := row.num(t, "ml_per_min"); published < r.FlowMlPerMin.Low {
			inside = "under"
		} else if published > r.FlowMlPerMin.High {
			inside = "over"
		}
		assert.Equal(t, row["range"], inside, row)
		assert.LessOrEqual(t, r.FlowMlPerMin.High, r.TorricelliMlPerMin, "K of 1 or more keeps below a free jet: %v", row)
	}
}

func TestFlowOfAHorseSet(t *testing.T) {
	in := FlowInput{CatheterMm: new(1.6), VenousCmH2O: new(12.0), ViscosityMPas: new(1.24), KLoss: new(1.5), VolumeMl: new(950.0), WeightKg: new(50.0)}
	f, err := readFlow(in, &Basis{})
	require.NoError(t, err)
	mid := f.line(1.24, 1.5, 12)
	assert.InEpsilon(t, 1.93777e9, mid.a, 1e-5)
	assert.InEpsilon(t, 1.90348e14, mid.b, 1e-5)
	assert.InEpsilon(t, 8884.82, mid.pressure, 1e-6)
	r, err := Flow(in)
	require.NoError(t, err)
	assert.InEpsilon(t, 205.8, r.FlowMlPerMin.Mid, 0.001)
	assert.InEpsilon(t, 275.1, r.PoiseuilleMlPerMin, 0.001)
	assert.InEpsilon(t, 2258, r.Reynolds, 0.001)
	assert.InEpsilon(t, 950/205.8, r.Minutes.Mid, 0.001)
	assert.InEpsilon(t, 205.8*60/50, r.MlPerKgPerH.Mid, 0.001)
	require.Equal(t, []string{"open_clamp_over_ceiling"}, codes(r.Cautions))
	assert.Contains(t, r.Cautions[0].Text, "12.3 times the ceiling of 20", "an open clamp is many times too fast for a foal")

	slow, err := Flow(FlowInput{CatheterGauge: new(20.0), WeightKg: new(500.0), HeadCm: new(60.0)})
	require.NoError(t, err)
	assert.Empty(t, slow.Cautions)
	low, err := Flow(FlowInput{CatheterGauge: new(14.0), HeadCm: new(10.0)})
	require.NoError(t, err)
	assert.Equal(t, []string{"implausible_input", "little_head"}, codes(low.Cautions))
	assert.Zero(t, low.FlowMlPerMin.Mid)
	assert.Nil(t, low.Minutes)
}

func TestPoiseuilleAgainstTextbooks(t *testing.T) {
	// OpenStax, College Physics 12.4: 8.00 mmHg (1066 Pa) in the vein, 16.2 kPa at the needle.
	needle := poiseuillePaPerFlow(1.00, 0.0250, 0.300)*1.20e-7 + 1066
	assert.InEpsilon(t, 1.62e4, needle, 0.005)
	// A solved problem (common practice): 1 cm3/s of water through 3.14 cm x 0.35 mm.
	assert.InEpsilon(t, 85254.55, poiseuillePaPerFlow(1.0, 0.0314, 0.35)*1e-6, 1e-3)
	// Blood through 26 mm x 0.81 mm at 2.3 cm3/min into 78 torr: 1.047 m (ours).
	pa := poiseuillePaPerFlow(4, 0.026, 0.81)*2.3e-6/60 + 78*133.322
	assert.InEpsilon(t, 1.047, pa/1050/9.80, 0.005)
	// The trap: Poiseuille alone lets 2095 mL/min through a 45 mm x 1.6 mm cannula
	// under 1 m of water; a free jet is 534.
	trap, err := Flow(FlowInput{CatheterMm: new(1.6), CatheterLengthMm: new(45.0), TubeM: new(0.0), VenousCmH2O: new(0.0), ViscosityMPas: new(1.0017), DensityKgPerM3: new(998.2)})
	require.NoError(t, err)
	assert.InDelta(t, 2095, trap.PoiseuilleMlPerMin, 2)
	assert.InDelta(t, 534, trap.TorricelliMlPerMin, 0.5)
}

func TestViscosityFollowsWater(t *testing.T) {
	assert.InDelta(t, 1.287, waterMPas(25)/waterMPas(37), 0.001)
	assert.InDelta(t, 1.448, waterMPas(20)/waterMPas(37), 0.001)
	// 1.24 mPa.s at 37 C is 1.60 at 25 C, within the published 1.50 to 1.72 (humans).
	f, err := readFlow(FlowInput{CatheterGauge: new(14.0), PlasmaTempC: new(25.0)}, &Basis{})
	require.NoError(t, err)
	assert.InDelta(t, 1.60, f.viscosity.Mid, 0.01)
}

func TestHeadExponentLiesBetweenOrificeAndPipe(t *testing.T) {
	// Dogs: 0.62 to 0.84 (JAVMA 1991;198:1622-1624, computed). Horses, bag at 150
	// and 200 cm: +25.4 to +28.6 % (Lord et al., Equine Vet Educ 2022); ours +22 to
	// +25 %, so up to 6 points short for 14 gauge.
	for _, g := range Gauges() {
		at := func(cm float64) float64 {
			r, err := Flow(FlowInput{CatheterGauge: new(float64(g.Gauge)), HeadCm: &cm, VenousCmH2O: new(0.0), ViscosityMPas: new(1.0)})
			require.NoError(t, err)
			return r.FlowMlPerMin.Mid
		}
		exponent := math.Log(at(200)/at(150)) / math.Log(200.0/150)
		assert.True(t, exponent > 0.5 && exponent < 1, "%d gauge: %g", g.Gauge, exponent)
	}
}

func TestFlowRefusals(t *testing.T) {
	for field, in := range map[string]FlowInput{
		"catheter_gauge":     {CatheterGauge: new(15.0)},
		"catheter_mm":        {CatheterMm: new(16.0)},
		"head_cm":            {CatheterGauge: new(14.0), HeadCm: new(0.0)},
		"plasma_temp_c":      {CatheterGauge: new(14.0), PlasmaTempC: new(98.0)},
		"density_kg_per_m3":  {CatheterGauge: new(14.0), DensityKgPerM3: new(1.026)},
		"weight_kg":          {CatheterGauge: new(14.0), WeightKg: new(0.0)},
		"volume_ml":          {CatheterGauge: new(14.0), VolumeMl: new(math.NaN())},
		"catheter_length_mm": {CatheterGauge: new(14.0), CatheterLengthMm: new(math.Inf(1))},
	} {
		_, err := Flow(in)
		refused(t, err, field)
	}
	_, err := Flow(FlowInput{})
	refused(t, err, "catheter_gauge")
	_, err = Flow(FlowInput{CatheterGauge: new(14.0), CatheterMm: new(1.6)})
	refused(t, err, "catheter_gauge")
}

func TestFlowIsMonotoneAndFinite(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := FlowInput{CatheterMm: soft(t, "mm", 0.7, 1.3, 1.6), CatheterLengthMm: soft(t, "l", 45, 130), TubeMm: soft(t, "tube", 2, 3, 4), TubeM: soft(t, "m", 0, 1.5),
			HeadCm: soft(t, "head", 50, 100, 150), VenousCmH2O: soft(t, "cvp", 0, 12), ViscosityMPas: soft(t, "mu", 1, 1.24), PlasmaTempC: soft(t, "c", 25, 37),
			KLoss: soft(t, "k", 0, 1.5), VolumeMl: soft(t, "ml", 950), WeightKg: soft(t, "kg", 50, 500)}
		r, err := Flow(in)
		if err != nil {
			return
		}
		finiteRange(t, r.FlowMlPerMin)
		for _, v := range []*Range{r.Minutes, r.MlPerKgPerH} {
			if v != nil {
				finiteRange(t, *v)
			}
		}
		require.LessOrEqual(t, r.FlowMlPerMin.Mid, r.PoiseuilleMlPerMin*(1+1e-9))
		more := func(change func(*FlowInput)) float64 {
			other := in
			change(&other)
			o, err := Flow(other)
			require.NoError(t, err)
			return o.FlowMlPerMin.Mid
		}
		if in.HeadCm != nil && *in.HeadCm < 400 {
			require.GreaterOrEqual(t, more(func(f *FlowInput) { f.HeadCm = new(*in.HeadCm * 1.1) }), r.FlowMlPerMin.Mid)
		}
		if *in.CatheterMm < 7 {
			require.GreaterOrEqual(t, more(func(f *FlowInput) { f.CatheterMm = new(*in.CatheterMm * 1.1) }), r.FlowMlPerMin.Mid)
		}
		if in.CatheterLengthMm != nil && *in.CatheterLengthMm < 500 {
			require.LessOrEqual(t, more(func(f *FlowInput) { f.CatheterLengthMm = new(*in.CatheterLengthMm * 1.1) }), r.FlowMlPerMin.Mid, "longer is slower")
		}
		if in.ViscosityMPas != nil && *in.ViscosityMPas < 18 {
			require.LessOrEqual(t, more(func(f *FlowInput) { f.ViscosityMPas = new(*in.ViscosityMPas * 1.1) }), r.FlowMlPerMin.Mid)
		}
	})
}

func BenchmarkFlow(b *testing.B) {
	in := FlowInput{CatheterGauge: new(14.0), VolumeMl: new(950.0), WeightKg: new(50.0)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Flow(in); err != nil {
			b.Fatal(err)
		}
	}
}
