package engine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

func TestWeighAgreesWithPublishedTapes(t *testing.T) {
	for _, row := range published(t, "weigh.csv") {
		r, err := Weigh(WeighInput{Kind: row["kind"], GirthCm: row.num(t, "girth_cm"), LengthCm: row.maybe(t, "length_cm")})
		require.NoError(t, err)
		want := row.num(t, "weight_kg")
		if strings.Contains(row["source"], "Horse & Rider") {
			assert.Less(t, r.WeightKg.Low, want)
			assert.Greater(t, r.WeightKg.High, want)
			continue
		}
		assert.InDelta(t, want, r.WeightKg.Mid, 0.05, row["name"])
		assert.InDelta(t, want*0.9, r.WeightKg.Low, 0.05)
		assert.InDelta(t, want*1.1, r.WeightKg.High, 0.05)
	}
}

func TestWeighShowsTheOtherAdultFormulas(t *testing.T) {
	r, err := Weigh(WeighInput{Kind: WeighAdult, GirthCm: 180, LengthCm: new(155.0)})
	require.NoError(t, err)
	all := strings.Join(r.Steps, "\n")
	assert.Contains(t, all, "422.7")
	assert.Contains(t, all, "466.6")
}

func TestWeighSaysWhenItExtrapolates(t *testing.T) {
	for girth, want := range map[float64]bool{82: true, 82.3: false, 140: false, 141: true} {
		r, err := Weigh(WeighInput{Kind: WeighFoal, GirthCm: girth})
		require.NoError(t, err)
		assert.Equal(t, want, strings.Contains(strings.Join(codes(r.Cautions), " "), "tape_extrapolates"), "%v cm", girth)
	}
}

func TestWeighAsksAboutAnUnusualNewborn(t *testing.T) {
	for age, want := range map[float64][]string{20: {"newborn_weight_unusual"}, 72: nil} {
		r, err := Weigh(WeighInput{Kind: WeighFoal, GirthCm: 100, AgeH: &age})
		require.NoError(t, err)
		assert.Equal(t, want, codes(r.Cautions), "90 kg at %v h", age)
	}
}

func TestWeighRefusesSlips(t *testing.T) {
	for _, c := range []struct {
		in    WeighInput
		field string
		hint  string
	}{
		{WeighInput{GirthCm: 80}, "kind", ""},
		{WeighInput{Kind: "donkey", GirthCm: 80}, "kind", ""},
		{WeighInput{Kind: WeighFoal, GirthCm: 80, AgeH: new(-1.0)}, "age_h", ""},
		{WeighInput{Kind: WeighFoal, GirthCm: 32}, "girth_cm", "inches?"},
		{WeighInput{Kind: WeighAdult, GirthCm: 180}, "length_cm", "foal"},
		{WeighInput{Kind: WeighFoal, GirthCm: 80, LengthCm: new(70.0)}, "length_cm", "adult"},
		{WeighInput{Kind: WeighAdult, GirthCm: 180, LengthCm: new(61.0)}, "length_cm", "inches?"},
	} {
		_, err := Weigh(c.in)
		assert.Contains(t, refused(t, err, c.field).Hint, c.hint)
	}
}

func TestWeighNeverGivesNonsense(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := WeighInput{
			Kind:     rapid.SampledFrom([]string{WeighFoal, WeighAdult, ""}).Draw(t, "kind"),
			GirthCm:  rapid.OneOf(wild(), rapid.Float64Range(45, 270)).Draw(t, "girth"),
			LengthCm: soft(t, "length", 80, 150, 260),
		}
		r, err := Weigh(in)
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		finiteRange(t, r.WeightKg)
		require.Positive(t, r.WeightKg.Low)
		in.GirthCm *= 1.001
		if more, err := Weigh(in); err == nil {
			require.Greater(t, more.WeightKg.Mid, r.WeightKg.Mid)
		}
	})
}

func BenchmarkWeigh(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Weigh(WeighInput{Kind: WeighFoal, GirthCm: 85}); err != nil {
			b.Fatal(err)
		}
	}
}
