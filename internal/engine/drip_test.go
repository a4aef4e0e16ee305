package engine

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestDripAgainstPublishedSums(t *testing.T) {
	for _, row := range published(t, "drip.csv") {
		r, err := Drip(DripInput{
			VolumeMl: row.num(t, "volume_ml"), Minutes: row.maybe(t, "minutes"), PlateauMlPerKgPerH: row.maybe(t, "plateau_ml_per_kg_per_h"),
			WeightKg: row.maybe(t, "weight_kg"), DropsPerMl: row.maybe(t, "drops_per_ml"), NoSlowStart: row["no_slow_start"] != "",
		})
		require.NoError(t, err, row)
		assert.InDelta(t, row.num(t, "total_min"), r.TotalMin, 1e-9, row)
		assert.InDelta(t, row.num(t, "average_drops_per_min"), r.AverageDropsPerMin, 1e-6, row)
		assert.InDelta(t, row.num(t, "first_drops_per_min"), r.Stages[0].DropsPerMin, 1e-6, row)
		assert.InDelta(t, row.num(t, "last_drops_per_min"), r.Stages[len(r.Stages)-1].DropsPerMin, 1e-6, row)
	}
}

func TestDropToleranceFromIso(t *testing.T) {
	// ISO 8536-4:2019: 20 drops are 1 +/- 0.1 mL. At 1 mL/min.
	r, err := Drip(DripInput{VolumeMl: 100, Minutes: new(100.0), DropsPerMl: new(20.0)})
	require.NoError(t, err)
	assert.InDelta(t, 18.18, r.DropsPerMinTolerance.Low, 0.01)
	assert.InDelta(t, 20, r.DropsPerMinTolerance.Mid, 1e-9)
	assert.InDelta(t, 22.22, r.DropsPerMinTolerance.High, 0.01)
	assert.Contains(t, codes(r.Cautions), "drip_without_weight")
}

func TestDripSlowStartFirstAndVitals(t *testing.T) {
	r, err := Drip(DripInput{VolumeMl: 1000, PlateauMlPerKgPerH: new(20.0), WeightKg: new(50.0)})
	require.NoError(t, err)
	require.Len(t, r.Stages, 2)
	assert.Equal(t, DripStage{FromMin: 0, ToMin: 20, MlPerKgPerH: 1.5, MlPerH: 75, VolumeMl: 25}, r.Stages[0])
	assert.Equal(t, []float64{0, 5, 10, 15, 20, 30, 45, 60, 75, 78.5, 108.5}, r.VitalsAtMin)
	assert.Equal(t, DripMark{20, 25, 975}, r.Marks[1])
	assert.InDelta(t, 25+1000.0/6, r.Marks[2].GivenMl, 1e-9)
	assert.Empty(t, r.Cautions)
	assert.Contains(t, r.Steps[3], "40 to 60 mL/kg/h", "a litre in 20 to 30 min at 50 kg")

	adult, err := Drip(DripInput{VolumeMl: 4000, PlateauMlPerKgPerH: new(10.0), WeightKg: new(500.0), Adult: true})
	require.NoError(t, err)
	assert.Equal(t, 150.0, adult.Stages[0].VolumeMl, "0.3 mL/kg")

	even, err := Drip(DripInput{VolumeMl: 100, Minutes: new(240.0), WeightKg: new(50.0)})
	require.NoError(t, err)
	assert.Len(t, even.Stages, 1, "slower than the slow start throughout: it never starts faster")
	small, err := Drip(DripInput{VolumeMl: 10, PlateauMlPerKgPerH: new(20.0), WeightKg: new(50.0)})
	require.NoError(t, err)
	assert.Equal(t, 8.0, small.TotalMin, "all of it in the slow start")
}

func TestDripCeiling(t *testing.T) {
	litre := DripInput{VolumeMl: 1000, WeightKg: new(50.0)}
	for _, c := range []struct {
		minutes float64
		code    string
	}{{78.5, ""}, {78, "rate_over_ceiling"}, {50, "rate_over_ceiling"}} {
		in := litre
		in.Minutes = new(c.minutes)
		r, err := Drip(in)
		require.NoError(t, err)
		if c.code == "" {
			assert.Empty(t, r.Cautions)
		} else {
			assert.Equal(t, []string{c.code}, codes(r.Cautions))
		}
	}
	refused := litre
	refused.Minutes = new(30.0)
	_, err := Drip(refused)
	assertRefused(t, err, "minutes", "50 min or more")
	refused.Minutes = new(15.0)
	_, err = Drip(refused)
	assertRefused(t, err, "minutes", "50 min or more")
	refused = litre
	refused.PlateauMlPerKgPerH = new(41.0)
	_, err = Drip(refused)
	assertRefused(t, err, "plateau_ml_per_kg_per_h", "40")
	_, err = Drip(litre)
	assertRefused(t, err, "minutes", "either")
	_, err = Drip(DripInput{VolumeMl: 10, Minutes: new(5.0), WeightKg: new(50.0)})
	assertRefused(t, err, "minutes", "8 min or more")

	tight := litre
	tight.PlateauMlPerKgPerH, tight.CeilingMlPerKgPerH = new(12.0), new(10.0)
	r, err := Drip(tight)
	require.NoError(t, err)
	assert.Equal(t, []string{"rate_over_ceiling"}, codes(r.Cautions), "a practice tightens silently")
	tight.CeilingMlPerKgPerH, tight.DropsPerMl, tight.NoSlowStart = new(30.0), new(20.0), true
	r, err = Drip(tight)
	require.NoError(t, err)
	assert.Equal(t, []string{"rate_ceiling_loosened", "no_slow_start", "drops_cannot_be_counted"}, codes(r.Cautions))
}

func TestDripOfAnAdultsWeightWithoutItsKind(t *testing.T) {
	in := DripInput{VolumeMl: 4000, PlateauMlPerKgPerH: new(10.0), WeightKg: new(500.0)}
	r, err := Drip(in)
	require.NoError(t, err)
	assert.Equal(t, 150.0, r.Stages[0].VolumeMl, "0.3 mL/kg, not a foal's 0.5")
	assert.Equal(t, []string{"adult_slow_start_taken"}, codes(r.Cautions))
	assert.Contains(t, r.Sources, srcStartAdult)
	in.Foal = true
	r, err = Drip(in)
	require.NoError(t, err)
	assert.Equal(t, 250.0, r.Stages[0].VolumeMl)
	assert.Empty(t, r.Cautions)
	in.Foal, in.Adult = false, true
	r, err = Drip(in)
	require.NoError(t, err)
	assert.Empty(t, r.Cautions)
	in.Adult, in.WeightKg = false, new(120.0)
	r, err = Drip(in)
	require.NoError(t, err)
	assert.Equal(t, 60.0, r.Stages[0].VolumeMl)
}

func TestDripByProtocolAndLabel(t *testing.T) {
	in := DripInput{VolumeMl: 950, PlateauMlPerKgPerH: new(15.0), WeightKg: new(50.0), StartMlPerKg: new(0.3), StartMin: new(30.0), LabelMlPerKgPerH: new(15.0)}
	r, err := Drip(in)
	require.NoError(t, err)
	assert.Equal(t, 15.0, r.Stages[0].VolumeMl)
	assert.Equal(t, 30.0, r.Stages[0].ToMin)
	assert.Empty(t, r.Cautions, "gentler, and at the label's rate")
	assert.Contains(t, r.Sources, srcStartOwn)
	in.StartMlPerKg, in.StartMin, in.LabelMlPerKgPerH = new(1.0), nil, new(14.9)
	r, err = Drip(in)
	require.NoError(t, err)
	assert.Equal(t, []string{"slow_start_loosened", "rate_over_label"}, codes(r.Cautions))
	in.StartMin = new(40.0)
	r, err = Drip(in)
	require.NoError(t, err)
	assert.Equal(t, []string{"rate_over_label"}, codes(r.Cautions), "twice the volume in twice the time is no faster")
	for field, spoil := range map[string]func(*DripInput){
		"start_ml_per_kg":       func(in *DripInput) { in.StartMlPerKg = new(25.0) },
		"start_min":             func(in *DripInput) { in.StartMin = new(0.5) },
		"label_ml_per_kg_per_h": func(in *DripInput) { in.LabelMlPerKgPerH = new(1000.0) },
	} {
		bad := in
		spoil(&bad)
		_, err = Drip(bad)
		refused(t, err, field)
	}
}

func TestDripWithoutAWeight(t *testing.T) {
	r, err := Drip(DripInput{VolumeMl: 600, Minutes: new(60.0)})
	require.NoError(t, err, "600 mL/h is not above it")
	assert.Equal(t, []string{"drip_without_weight"}, codes(r.Cautions))
	_, err = Drip(DripInput{VolumeMl: 601, Minutes: new(60.0)})
	assertRefused(t, err, "weight_kg", "601 mL/h")
	_, err = Drip(DripInput{VolumeMl: 601, Minutes: new(60.0), WeightKg: new(50.0)})
	require.NoError(t, err)
}

// assertRefused wants a refusal of a field whose text holds a part.
func assertRefused(t *testing.T, err error, field, part string) {
	t.Helper()
	require.Regexp(t, "^"+field+"(:| is missing:)", err.Error())
	require.ErrorContains(t, err, part)
}

func TestPredictEnd(t *testing.T) {
	start := time.Date(2026, 3, 8, 1, 30, 0, 0, time.UTC)
	notes := []DripNote{{start, 0}, {start.Add(20 * time.Minute), 25}, {start.Add(40 * time.Minute), 325}}
	r, err := PredictEnd(PredictEndInput{VolumeMl: 950, Notes: notes, WeightKg: new(45.0)})
	require.NoError(t, err)
	assert.InDelta(t, 900, r.MlPerH, 1e-9)
	assert.InDelta(t, 20, r.MlPerKgPerH, 1e-9)
	assert.Equal(t, notes[2].At.Add(41*time.Minute+40*time.Second), r.EndAt)
	assert.True(t, r.Early.Before(r.EndAt) && r.EndAt.Before(r.Late))
	assert.Empty(t, r.Cautions)

	stopped, err := PredictEnd(PredictEndInput{VolumeMl: 950, Notes: append(notes, DripNote{start.Add(time.Hour), 325})})
	require.NoError(t, err)
	assert.True(t, stopped.EndAt.IsZero())
	assert.Equal(t, []string{"drip_not_running"}, codes(stopped.Cautions))

	fast, err := PredictEnd(PredictEndInput{VolumeMl: 950, Notes: []DripNote{{start, 0}, {start.Add(10 * time.Minute), 600}}, WeightKg: new(45.0)})
	require.NoError(t, err, "what happened is told, at any rate")
	assert.Equal(t, []string{"rate_over_ceiling"}, codes(fast.Cautions))

	_, err = PredictEnd(PredictEndInput{VolumeMl: 950, Notes: []DripNote{notes[0]}})
	assertRefused(t, err, "notes", "2 to")
	_, err = PredictEnd(PredictEndInput{VolumeMl: 950, Notes: []DripNote{notes[1], notes[0]}})
	assertRefused(t, err, "at", "after the reading")
	_, err = PredictEnd(PredictEndInput{VolumeMl: 950, Notes: []DripNote{{start, 900}, {start.Add(time.Hour), 700}}})
	assertRefused(t, err, "given_ml", "mL left")
	_, err = PredictEnd(PredictEndInput{VolumeMl: 950, Notes: []DripNote{{start, 0}, {start.Add(time.Hour), 1500}}})
	assertRefused(t, err, "given_ml", "1425")
}

func TestDripConservesVolumeAndStaysFinite(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := DripInput{VolumeMl: rapid.OneOf(rapid.SampledFrom([]float64{10, 250, 950, 4000}), wild()).Draw(t, "ml"), WeightKg: soft(t, "kg", 45, 50, 500), DropsPerMl: soft(t, "drops", 10, 15, 20, 60),
			Minutes: soft(t, "min", 5, 20, 60, 120, 600), PlateauMlPerKgPerH: soft(t, "plateau", 1, 10, 20, 30, 40),
			Adult: rapid.Bool().Draw(t, "adult"), Foal: rapid.Bool().Draw(t, "foal"), NoSlowStart: rapid.Bool().Draw(t, "none")}
		r, err := Drip(in)
		if err != nil {
			return
		}
		ml, to := 0.0, 0.0
		for _, s := range r.Stages {
			require.Equal(t, to, s.FromMin)
			require.Greater(t, s.ToMin, s.FromMin)
			require.False(t, math.IsNaN(s.MlPerH) || math.IsInf(s.MlPerH, 0))
			ml, to = ml+s.VolumeMl, s.ToMin
		}
		require.InEpsilon(t, in.VolumeMl, ml, 1e-9)
		if in.WeightKg != nil {
			require.LessOrEqual(t, r.PlateauMlPerKgPerH, hardCeiling*(1+1e-6))
			require.True(t, len(r.Stages) == 1 || r.Stages[0].MlPerH <= r.Stages[1].MlPerH*(1+1e-9), "steps go up")
		}
		require.True(t, slices.IsSorted(r.VitalsAtMin))
		require.InDelta(t, r.TotalMin+30, r.VitalsAtMin[len(r.VitalsAtMin)-1], 1e-9)
	})
}

func BenchmarkDrip(b *testing.B) {
	in := DripInput{VolumeMl: 950, PlateauMlPerKgPerH: new(20.0), WeightKg: new(50.0), DropsPerMl: new(20.0)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Drip(in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPredictEnd(b *testing.B) {
	at := time.Date(2026, 3, 8, 2, 0, 0, 0, time.UTC)
	in := PredictEndInput{VolumeMl: 950, WeightKg: new(50.0), Notes: []DripNote{{at, 150}, {at.Add(20 * time.Minute), 430}}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := PredictEnd(in); err != nil {
			b.Fatal(err)
		}
	}
}
