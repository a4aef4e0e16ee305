package engine

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

func TestProteinAgreesWithPublishedFigures(t *testing.T) {
	for _, row := range published(t, "protein.csv") {
		r, err := Protein(ProteinInput{WeightKg: row.num(t, "weight_kg"), TPGPerL: row.num(t, "tp_g_per_l"),
			TargetTPGPerL: row.num(t, "target_tp_g_per_l"), DonorTPGPerL: row.num(t, "donor_tp_g_per_l")})
		require.NoError(t, err)
		if row["check"] == "between" {
			assert.LessOrEqual(t, r.VolumeMlPerKg.Low, row.num(t, "low"))
			assert.GreaterOrEqual(t, r.VolumeMlPerKg.High, row.num(t, "high"))
			continue
		}
		assert.InDelta(t, row.num(t, "low"), r.VolumeMl.Low/1000, 0.005)
		assert.InDelta(t, row.num(t, "mid"), r.VolumeMl.Mid/1000, 0.005)
		assert.InDelta(t, row.num(t, "high"), r.VolumeMl.High/1000, 0.005)
	}
}

func adult() ProteinInput {
	return ProteinInput{WeightKg: 500, TPGPerL: 40, TargetTPGPerL: 50, DonorTPGPerL: 70}
}

func TestProteinGivenSpaceFactorIsExact(t *testing.T) {
	in := adult()
	in.SpaceFactor = new(2.0)
	r, err := Protein(in)
	require.NoError(t, err)
	assert.InDelta(t, 6428.57, r.VolumeMl.Mid, 0.01)
	assert.Equal(t, Exactly(r.VolumeMl.Mid), r.VolumeMl)
}

func TestProteinCautions(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*ProteinInput)
		want  []string
	}{
		"usual":     {func(*ProteinInput) {}, []string{"protein_effect_is_small"}},
		"at target": {func(in *ProteinInput) { in.TPGPerL = 50 }, []string{"protein_at_target"}},
		"a foal":    {func(in *ProteinInput) { in.WeightKg = 100 }, []string{"protein_sum_is_for_adults", "protein_effect_is_small"}},
		"150 kg":    {func(in *ProteinInput) { in.WeightKg = 150 }, []string{"protein_effect_is_small"}},
		"a lot":     {func(in *ProteinInput) { in.TPGPerL = 20 }, []string{"volume_24h_over_day_limit", "protein_effect_is_small"}},
	} {
		in := adult()
		c.spoil(&in)
		r, err := Protein(in)
		require.NoError(t, err)
		assert.Equal(t, c.want, codes(r.Cautions), name)
	}
}

func TestProteinRefusesSlips(t *testing.T) {
	for field, spoil := range map[string]func(*ProteinInput){
		"weight_kg":               func(in *ProteinInput) { in.WeightKg = 0 },
		"tp_g_per_l":              func(in *ProteinInput) { in.TPGPerL = 4 },
		"target_tp_g_per_l":       func(in *ProteinInput) { in.TargetTPGPerL = 5 },
		"donor_tp_g_per_l":        func(in *ProteinInput) { in.DonorTPGPerL = 7 },
		"plasma_volume_ml_per_kg": func(in *ProteinInput) { in.PlasmaVolumeMlPerKg = new(22500.0) },
		"space_factor":            func(in *ProteinInput) { in.SpaceFactor = new(0.5) },
	} {
		in := adult()
		spoil(&in)
		_, err := Protein(in)
		refused(t, err, field)
	}
}

// Plasma with less protein than the target never lifts to it, whatever its volume.
func TestProteinRefusesAPoorDonor(t *testing.T) {
	for donor, ok := range map[float64]bool{49: false, 50: false, 50.1: true} {
		in := adult()
		in.TargetTPGPerL, in.DonorTPGPerL = 50, donor
		_, err := Protein(in)
		if ok {
			require.NoError(t, err)
			continue
		}
		assert.Contains(t, refused(t, err, "donor_tp_g_per_l").Want, "more than the target of 50 g/L")
	}
}

func TestProteinNeverGivesNonsense(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := ProteinInput{WeightKg: wild().Draw(t, "weight"), TPGPerL: wild().Draw(t, "now"), TargetTPGPerL: wild().Draw(t, "target"), DonorTPGPerL: wild().Draw(t, "donor")}
		if rapid.IntRange(0, 3).Draw(t, "good?") > 0 {
			in = adult()
			in.TPGPerL = rapid.Float64Range(10, 130).Draw(t, "now")
		}
		in.PlasmaVolumeMlPerKg, in.SpaceFactor = soft(t, "plasma", 20, 45, 130), soft(t, "factor", 1, 2, 5)
		r, err := Protein(in)
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		finiteRange(t, r.VolumeMl, r.VolumeMlPerKg)
		require.GreaterOrEqual(t, r.VolumeMl.Low, 0.0)
		in.TPGPerL++
		if less, err := Protein(in); err == nil {
			require.LessOrEqual(t, less.VolumeMl.Mid, r.VolumeMl.Mid)
		}
	})
}

func BenchmarkProtein(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Protein(adult()); err != nil {
			b.Fatal(err)
		}
	}
}
