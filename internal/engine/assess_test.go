package engine

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

// wellFoal is 20 h old with no sign and no risk.
func wellFoal(igg float64) AssessInput {
	return AssessInput{AgeH: new(20.0), IgGReading: IgGReading{IgGGPerL: &igg}, Isoerythrolysis: RiskNo}
}

func TestAssessClasses(t *testing.T) {
	for _, row := range published(t, "assess.csv") {
		low, high := row.num(t, "igg_low_g_per_l"), row.num(t, "igg_high_g_per_l")
		in := wellFoal(low)
		if low != high {
			in.IgGReading = IgGReading{IgGBand: &Band{low, high}}
		}
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, row["class"], r.IgGClass, "%v to %v", low, high)
	}
}

func TestAssessWindowAndProvisional(t *testing.T) {
	for _, c := range []struct {
		age         float64
		window      string
		provisional bool
	}{
		{0, WindowOpen, true}, {5.9, WindowOpen, true}, {6, WindowClosing, true}, {11.9, WindowClosing, true},
		{12, WindowNearlyClosed, false}, {23.9, WindowNearlyClosed, false}, {24, WindowClosed, false},
	} {
		in := wellFoal(5)
		in.AgeH = &c.age
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, c.window, r.ColostrumWindow, "%v h", c.age)
		assert.Equal(t, c.provisional, r.Provisional, "%v h", c.age)
		assert.Equal(t, c.provisional, slices.Contains(codes(r.Cautions), "igg_before_12h"))
	}
}

func TestAssessNeverSaysTreatFromIgGAlone(t *testing.T) {
	r, err := Assess(wellFoal(1))
	require.NoError(t, err)
	assert.False(t, r.OfferReferral, "no sign: low IgG alone is no reason")
	assert.Contains(t, codes(r.Cautions), "igg_alone_not_treatment")
	assert.NotContains(t, strings.Join(r.Steps, " "), "treat")
}

func TestAssessReferral(t *testing.T) {
	for _, s := range Signs() {
		in := wellFoal(10)
		in.Signs = []string{s.Name, s.Name}
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, s.Refer, r.OfferReferral, s.Name)
		if s.Refer {
			assert.Equal(t, []string{s.Words}, r.Because, "a sign given twice counts once")
		}
	}
	for temperature, want := range map[float64]bool{37.1: true, 37.2: false, 38.9: false, 39: true} {
		in := wellFoal(10)
		in.TemperatureC = &temperature
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, want, r.OfferReferral, "%v C", temperature)
	}
	for igg, want := range map[float64]bool{1.99: true, 2: false} {
		in := wellFoal(igg)
		in.Signs = []string{"weak"}
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, want, r.OfferReferral, "IgG %v in a weak foal", igg)
		assert.Contains(t, codes(r.Cautions), "measure_glucose")
	}
}

// A foal that has hardly sucked has less glucose: low is below 3.5 mmol/L to 8 h and
// below 4.2 after; below 2.8 is told as such at any age.
func TestAssessGlucoseByAge(t *testing.T) {
	for _, c := range []struct {
		age, mmol float64
		want      string
	}{
		{2, 3.5, ""}, {2, 3.49, "below 3.5 at 2 h"}, {7.9, 4, ""}, {8, 4, "below 4.2 at 8 h"}, {20, 4.19, "below 4.2 at 20 h"}, {20, 4.2, ""},
		{2, 2.79, "below 2.8: treat"}, {20, 2.79, "below 2.8: treat"}, {20, 2.8, "below 4.2"},
	} {
		in := wellFoal(10)
		in.AgeH, in.GlucoseMmolPerL = &c.age, &c.mmol
		r, err := Assess(in)
		require.NoError(t, err)
		if c.want == "" {
			assert.Empty(t, r.Because, "%+v", c)
			continue
		}
		assert.Contains(t, strings.Join(r.Because, "; "), c.want, "%+v", c)
		assert.Contains(t, r.Sources, srcGlucose2)
	}
	in := wellFoal(1.5)
	in.GlucoseMmolPerL = new(3.0)
	r, err := Assess(in)
	require.NoError(t, err)
	assert.Len(t, r.Because, 2, "a low glucose alone makes a foal sick, for its IgG")
}

// Red urine, no swallow and a short gestation are each a reason to offer referral.
func TestAssessOffersReferral(t *testing.T) {
	for _, sign := range []string{"red_urine", "cannot_swallow", "gestation_under_320_days", "jaundice"} {
		in := wellFoal(10)
		in.Signs = []string{sign}
		r, err := Assess(in)
		require.NoError(t, err)
		assert.True(t, r.OfferReferral, sign)
	}
	for days, want := range map[float64]int{319: 1, 320: 0, 342: 0} {
		in := wellFoal(10)
		in.GestationD = &days
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Len(t, r.Because, want, "%v days", days)
	}
	in := wellFoal(10)
	in.GestationD, in.Signs = new(310.0), []string{"gestation_under_320_days"}
	r, err := Assess(in)
	require.NoError(t, err)
	assert.Len(t, r.Because, 1, "seen and counted is one reason")
	in.GestationD = new(11.0)
	_, err = Assess(in)
	refused(t, err, "gestation_d")
}

func TestAssessGlucose(t *testing.T) {
	for mmol, want := range map[float64]bool{4.19: true, 4.2: false, 7: false} {
		in := wellFoal(10)
		in.GlucoseMmolPerL = &mmol
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, want, r.OfferReferral, "%v mmol/L", mmol)
		in.Signs = []string{"weak"}
		r, err = Assess(in)
		require.NoError(t, err)
		assert.NotContains(t, codes(r.Cautions), "measure_glucose", "it was measured")
		in.GlucoseMmolPerL, in.GlucoseMgPerDL = nil, new(mmol*mgPerDLOfMmolPerL)
		same, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, r.OfferReferral, same.OfferReferral, "the same in mg/dL")
	}
	in := wellFoal(10)
	in.GlucoseMmolPerL, in.GlucoseMgPerDL = new(4.0), new(72.0)
	_, err := Assess(in)
	refused(t, err, "glucose_mg_per_dl")
	in.GlucoseMmolPerL, in.Signs, in.GlucoseMgPerDL = new(2.0), []string{"low_glucose"}, nil
	r, err := Assess(in)
	require.NoError(t, err)
	assert.Len(t, r.Because, 1, "seen and measured is one reason")
}

// The second scheme: SAEVA Proceedings 2016, p. 75.
func TestAssessShowsBothSchemes(t *testing.T) {
	for igg, want := range map[float64]string{1.99: ClassComplete, 2: ClassPartial, 3.99: ClassPartial, 4: ClassAdequate} {
		r, err := Assess(wellFoal(igg))
		require.NoError(t, err)
		assert.Equal(t, want, r.OtherSchemeClass, "%v g/L", igg)
	}
	r, err := Assess(AssessInput{AgeH: new(20.0), IgGReading: IgGReading{IgGUnknown: true}})
	require.NoError(t, err)
	assert.Equal(t, ClassUnknown, r.OtherSchemeClass)
}

func TestAssessABandCountsByItsLowEnd(t *testing.T) {
	in := wellFoal(0)
	in.IgGReading, in.Signs = IgGReading{IgGBand: &Band{1, 4}}, []string{"unwell"}
	r, err := Assess(in)
	require.NoError(t, err)
	assert.True(t, r.OfferReferral)
}

func TestAssessColostrumCautions(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*AssessInput)
		want  []string
	}{
		"none":                {func(*AssessInput) {}, nil},
		"risk":                {func(in *AssessInput) { in.Isoerythrolysis = RiskYes }, []string{"isoerythrolysis_risk"}},
		"not asked":           {func(in *AssessInput) { in.Isoerythrolysis = "" }, []string{"isoerythrolysis_risk"}},
		"red urine beats no":  {func(in *AssessInput) { in.Signs = []string{"red_urine"} }, []string{"isoerythrolysis_risk"}},
		"cannot swallow":      {func(in *AssessInput) { in.Signs = []string{"cannot_swallow"} }, []string{"nothing_by_mouth"}},
		"measured cold":       {func(in *AssessInput) { in.TemperatureC = new(36.0) }, []string{"nothing_by_mouth"}},
		"not cold at 37.2 C":  {func(in *AssessInput) { in.TemperatureC = new(37.2) }, nil},
		"too late for either": {func(in *AssessInput) { in.AgeH, in.Isoerythrolysis = new(24.0), RiskYes }, nil},
	} {
		in := wellFoal(10)
		c.spoil(&in)
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Equal(t, c.want, codes(r.Cautions), name)
	}
}

func TestAssessUnknownIgG(t *testing.T) {
	in := wellFoal(0)
	in.IgGReading, in.AgeH = IgGReading{IgGUnknown: true}, new(3.0)
	in.Signs = []string{"weak"}
	r, err := Assess(in)
	require.NoError(t, err)
	assert.Equal(t, ClassUnknown, r.IgGClass)
	assert.False(t, r.Provisional, "there is no result to be provisional")
	assert.False(t, r.OfferReferral, "unknown is not below 2 g/L")
}

func TestAssessRefusesSlips(t *testing.T) {
	for field, spoil := range map[string]func(*AssessInput){
		"age_h":           func(in *AssessInput) { in.AgeH = nil },
		"sign":            func(in *AssessInput) { in.Signs = []string{"lame"} },
		"temperature_c":   func(in *AssessInput) { in.TemperatureC = new(100.0) },
		"igg_g_per_l":     func(in *AssessInput) { in.IgGGPerL = new(800.0) },
		"isoerythrolysis": func(in *AssessInput) { in.Isoerythrolysis = "maybe" },
	} {
		in := wellFoal(10)
		spoil(&in)
		_, err := Assess(in)
		refused(t, err, field)
	}
}

func TestAssessTakesAnything(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := AssessInput{
			AgeH:            soft(t, "age", 0, 10, 30),
			IgGReading:      IgGReading{IgGGPerL: soft(t, "igg", 0, 3, 9), IgGUnknown: rapid.Bool().Draw(t, "unknown")},
			TemperatureC:    soft(t, "temperature", 36, 38, 40),
			GlucoseMmolPerL: soft(t, "glucose", 2, 5), GlucoseMgPerDL: soft(t, "glucose mg", 40, 90),
			Signs: rapid.SliceOfN(rapid.SampledFrom([]string{"weak", "colic", "jaundice", "x"}), 0, 3).Draw(t, "signs"),
		}
		r, err := Assess(in)
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		require.Equal(t, len(r.Because) > 0, r.OfferReferral)
	})
}

func BenchmarkAssess(b *testing.B) {
	in := wellFoal(3)
	in.Signs = []string{"weak", "colic"}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Assess(in); err != nil {
			b.Fatal(err)
		}
	}
}

// A low PCV and a high lactate are reasons to offer referral, at their limits.
func TestAssessBlood(t *testing.T) {
	for _, c := range []struct {
		pcv, lactate float64
		because      int
		noCells      bool
	}{{15, 5.5, 0, false}, {14.9, 5.5, 1, true}, {35, 5.6, 1, false}, {8, 12, 2, true}} {
		in := wellFoal(10)
		in.PCVPercent, in.LactateMmolPerL = &c.pcv, &c.lactate
		r, err := Assess(in)
		require.NoError(t, err)
		assert.Len(t, r.Because, c.because, "%v", c)
		assert.Equal(t, c.noCells, slices.Contains(codes(r.Cautions), "plasma_holds_no_red_cells"), "%v", c)
		assert.Subset(t, r.Sources, []string{srcPCV, srcLactate})
	}
	for field, in := range map[string]AssessInput{"pcv_percent": {PCVPercent: new(0.35)}, "lactate_mmol_per_l": {LactateMmolPerL: new(50.0)}} {
		in.AgeH, in.IgGReading = new(20.0), IgGReading{IgGUnknown: true}
		_, err := Assess(in)
		refused, _ := refusal.As(err)
		require.NotNil(t, refused)
		assert.Equal(t, field, refused.Field)
	}
}

// A rate that is said to be the slow start is compared with the protocol's, else with
// the program's: 1.5 mL/kg/h for a foal, 3 for a horse.
func TestSlowStartIsSlow(t *testing.T) {
	for _, c := range []struct {
		in   NotedRate
		told bool
	}{
		{NotedRate{MlPerH: 75, WeightG: 50_000, SlowStage: true}, false},
		{NotedRate{MlPerH: 90, WeightG: 50_000, SlowStage: true}, true},
		{NotedRate{MlPerH: 90, WeightG: 50_000}, false},
		{NotedRate{MlPerH: 1500, WeightG: 500_000, SlowStage: true, Adult: true}, false},
		{NotedRate{MlPerH: 1700, WeightG: 500_000, SlowStage: true, Adult: true}, true},
		{NotedRate{MlPerH: 75, WeightG: 50_000, SlowStage: true, StartUlPerKg: new(int32(300)), StartMin: new(int32(20))}, true},
		{NotedRate{MlPerH: 75, WeightG: 50_000, SlowStage: true, StartMin: new(int32(40))}, true},
	} {
		assert.Equal(t, c.told, slices.Contains(codes(CheckRate(c.in).Raised), "slow_start_too_fast"), "%+v", c.in)
	}
}

// A practice's own ceiling in 24 h is told on what is accepted.
func TestOverDayTellsTheProtocol(t *testing.T) {
	kg := Exactly(50)
	for _, c := range []struct {
		ml, own float64
		told    bool
	}{{1000, 20, false}, {1010, 20, true}, {1010, 0, false}, {3100, 20, false}} {
		assert.Equal(t, c.told, slices.Contains(codes(OverDay(kg, true, c.ml, c.own)), "volume_24h_over_protocol"), "%v", c)
	}
}
