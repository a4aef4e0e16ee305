package engine

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

func TestResponseAgreesWithPublishedVolumes(t *testing.T) {
	for _, row := range published(t, "response.csv") {
		in := ResponseInput{
			WeightKg: row.num(t, "weight_kg"), IgGBeforeGPerL: row.maybe(t, "before_g_per_l"), IgGAfterGPerL: row.maybe(t, "after_g_per_l"),
			GivenMl: row.num(t, "given_ml"), DonorIgGGPerL: row.num(t, "donor_igg_g_per_l"), AgeH: new(24.0),
		}
		r, err := Response(in)
		require.NoError(t, err)
		assert.InDelta(t, row.num(t, "apparent_l"), *r.ApparentDistributionMlPerKg*in.WeightKg/1000, 0.006, row["name"])
		if perKg := row.maybe(t, "apparent_ml_per_kg"); perKg != nil {
			assert.InDelta(t, *perKg, *r.ApparentDistributionMlPerKg, 0.06)
		}
		assert.InDelta(t, 94.5 / *r.ApparentDistributionMlPerKg, r.ShareFound, 1e-9)
	}
}

func lookBack(before, after float64) ResponseInput {
	return ResponseInput{WeightKg: 50, IgGBeforeGPerL: &before, IgGAfterGPerL: &after, GivenMl: 1000, DonorIgGGPerL: 14, AgeH: new(24.0)}
}

func TestResponseWithoutARiseNeverSizesADose(t *testing.T) {
	for _, after := range []float64{2, 1.5} {
		r, err := Response(lookBack(2, after))
		require.NoError(t, err)
		assert.Nil(t, r.ApparentDistributionMlPerKg)
		assert.LessOrEqual(t, r.ShareFound, 0.0)
		assert.Equal(t, []string{"no_rise", "still_complete_failure"}, codes(r.Cautions))
	}
}

func TestResponseOddShares(t *testing.T) {
	for after, want := range map[float64][]string{
		3: {"share_below_usual", "still_complete_failure"}, 4: {"still_partial_failure"}, 6: {"share_above_one", "still_partial_failure"},
	} {
		r, err := Response(lookBack(2, after))
		require.NoError(t, err)
		assert.Equal(t, want, codes(r.Cautions), "after %v: share %v", after, r.ShareFound)
	}
}

// A rise that does not reach 4 g/L is still a complete failure, and says so.
func TestResponseClassesTheIgGAgain(t *testing.T) {
	for after, want := range map[float64][2]string{
		1.9: {ClassComplete, "still_complete_failure"}, 3.6: {ClassComplete, "still_complete_failure"}, 3.99: {ClassComplete, "still_complete_failure"},
		4: {ClassPartial, "still_partial_failure"}, 7.99: {ClassPartial, "still_partial_failure"}, 8: {ClassAdequate, ""},
	} {
		r, err := Response(lookBack(1, after))
		require.NoError(t, err)
		assert.Equal(t, want[0], r.IgGClassAfter, "%v", after)
		for _, code := range []string{"still_complete_failure", "still_partial_failure"} {
			assert.Equal(t, code == want[1], slices.Contains(codes(r.Cautions), code), "%v %s", after, code)
		}
	}
	r, err := Response(lookBack(1, 3.6))
	require.NoError(t, err)
	assert.Contains(t, r.Cautions[len(r.Cautions)-1].Text, "a second scheme calls 2 to 4 g/L partial")
	r, err = Response(lookBack(1, 1.9))
	require.NoError(t, err)
	assert.NotContains(t, r.Cautions[len(r.Cautions)-1].Text, "second scheme")
}

// What Dose predicts at a share, Response finds again.
func TestResponseFindsTheShareThatDoseUsed(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		share := rapid.Float64Range(0.1, 1).Draw(t, "share")
		weight := rapid.Float64Range(30, 75).Draw(t, "weight")
		age := rapid.Float64Range(0, 28*24).Draw(t, "age")
		in := foal(1, 14)
		in.WeightKg, in.ShareFound, in.AgeH = Exactly(weight), new(Exactly(share)), &age
		in.BagMl, in.Bags = new(950.0), new(rapid.IntRange(1, 3).Draw(t, "bags"))
		d, err := Dose(in)
		require.NoError(t, err)
		r, err := Response(ResponseInput{WeightKg: weight, IgGBeforeGPerL: new(1.0), IgGAfterGPerL: &d.ExpectedIgGGPerL.Mid,
			GivenMl: d.Bags.Asked.VolumeMl, DonorIgGGPerL: 14, AgeH: &age})
		require.NoError(t, err)
		require.InDelta(t, share, r.ShareFound, 1e-9)
	})
}

func TestResponseRefusesSlips(t *testing.T) {
	for field, spoil := range map[string]func(*ResponseInput){
		"weight_kg":              func(in *ResponseInput) { in.WeightKg = 0 },
		"igg_before_g_per_l":     func(in *ResponseInput) { in.IgGBeforeGPerL = new(350.0) },
		"igg_after_g_per_l":      func(in *ResponseInput) { in.IgGAfterGPerL = new(math.NaN()) },
		"given_ml":               func(in *ResponseInput) { in.GivenMl = 0.95 },
		"donor_igg_g_per_l":      func(in *ResponseInput) { in.DonorIgGGPerL = 1400 },
		"distribution_ml_per_kg": func(in *ResponseInput) { in.AgeH = new(1000.0) },
	} {
		in := lookBack(2, 4)
		spoil(&in)
		_, err := Response(in)
		refused(t, err, field)
	}
}

func TestResponseNeverGivesNonsense(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		or := func(label string, good ...float64) float64 {
			if v := soft(t, label, good...); v != nil {
				return *v
			}
			return good[0]
		}
		r, err := Response(ResponseInput{WeightKg: or("weight", 50, 5, 1500), IgGBeforeGPerL: soft(t, "before", 0, 2), IgGAfterGPerL: soft(t, "after", 0, 5e-324, 2, 8),
			GivenMl: or("given", 10, 20000), DonorIgGGPerL: or("donor", 2, 120), AgeH: soft(t, "age", 0, 100)})
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		require.True(t, finite(r.ShareFound) && finite(r.RiseGPerL))
		require.True(t, r.ApparentDistributionMlPerKg == nil || finite(*r.ApparentDistributionMlPerKg))
	})
}

func BenchmarkResponse(b *testing.B) {
	in := lookBack(2, 4)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Response(in); err != nil {
			b.Fatal(err)
		}
	}
}
