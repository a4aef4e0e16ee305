package engine

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestDoseWholeBags(t *testing.T) {
	in := foal(2, 19.57) // 2.07 L
	in.BagMl = new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	require.InDelta(t, 2070, r.VolumeMl.Mid, 1)
	assert.Equal(t, 3, r.Bags.BagsTotal)
	assert.Equal(t, 1, r.Bags.BagsNow, "1 L a day at 40 to 60 kg")
	assert.Equal(t, 2, r.Bags.OneFewer.Bags)
	assert.InDelta(t, 0.7*19.57*1900/(94.5*50), r.Bags.OneFewer.ExpectedRiseGPerL.Mid, 1e-9)
	assert.Contains(t, codes(r.Cautions), "last_bag_mostly_spare", "2.07 L is not silently 3 bags")
	assert.Contains(t, codes(r.Cautions), "plan_exceeds_one_day")
	assert.True(t, strings.HasPrefix(r.Steps[0], "now, within one day's ceiling: 1 x bag"), r.Steps[0])
	assert.InDelta(t, 2+0.7*19.57*2850/(94.5*50), r.ExpectedIgGGPerL.Mid, 1e-9, "expected after all bags")
}

func TestDoseBagsAskedFor(t *testing.T) {
	in := foal(2, 14)
	in.BagMl, in.Bags = new(950.0), new(2)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 0.7*14*1900/(94.5*50), r.ExpectedRiseGPerL.Mid, 1e-9)
	assert.Equal(t, 1900.0, r.Bags.Asked.VolumeMl)
	in.Bags = new(0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Equal(t, Exactly(2), *r.ExpectedIgGGPerL, "no bag changes nothing")
}

func TestDoseVolumeInADay(t *testing.T) {
	all := []string{"volume_24h_over_day_limit", "volume_24h_over_40", "volume_24h_over_60"}
	for _, c := range []struct {
		weight, given float64
		bags          int
		want          string
	}{
		{50, 0, 1, ""}, // 1 L exactly is not over 1 L
		{50, 1, 1, all[0]},
		{50, 0, 2, all[0]}, // 40 mL/kg exactly
		{50, 1, 2, all[1]},
		{50, 0, 3, all[1]}, // 60 mL/kg exactly
		{50, 1, 3, all[2]},
		{70, 400, 1, ""}, // 20 mL/kg outside 40 to 60 kg
		{70, 401, 1, all[0]},
		{39, 0, 1, all[0]},
		{50, 3001, 0, all[2]}, // what was given counts alone
	} {
		in := foal(0, 14)
		in.WeightKg, in.Given24hMl, in.BagMl, in.Bags = Exactly(c.weight), &c.given, new(1000.0), &c.bags
		r, err := Dose(in)
		require.NoError(t, err)
		got := ""
		for _, code := range codes(r.Cautions) {
			if slices.Contains(all, code) {
				got += code
			}
		}
		assert.Equal(t, c.want, got, "%+v", c)
	}
}

func TestDoseBagsNowStayWithinTheCeiling(t *testing.T) {
	in := foal(0, 14)
	in.BagMl = new(950.0)
	now := func(in DoseInput) int {
		r, err := Dose(in)
		require.NoError(t, err)
		return r.Bags.BagsNow
	}
	assert.Equal(t, 1, now(in))
	in.Given24hMl = new(51.0)
	assert.Equal(t, 0, now(in))
	in.Given24hMl, in.CeilingMlPerKg24h = nil, new(40.0)
	assert.Equal(t, 2, now(in))
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "ceiling_loosened")
	in.CeilingMlPerKg24h = new(15.0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, codes(r.Cautions), "ceiling_loosened", "tightening is silent")
	assert.Contains(t, codes(r.Cautions), "bag_larger_than_ceiling")
}

func TestDoseBagOutcomes(t *testing.T) {
	in := foal(2, 14)
	in.BagMl = new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	for _, o := range []BagOutcome{r.Bags.Now, r.Bags.Total, *r.Bags.OneFewer} {
		assert.Equal(t, float64(o.Bags)*950, o.VolumeMl)
		assert.InDelta(t, float64(o.Bags)*19, o.VolumeMlPerKg, 1e-9)
	}
	assert.Contains(t, strings.Join(r.Steps, "\n"), "one bag fewer: 3 x bag = 2850 mL = 57 mL/kg")
}

// limitOf is the ceiling of 24 h for a weight.
func limitOf(t *testing.T, weight Range, own *float64) float64 {
	in := foal(2, 14)
	in.WeightKg, in.CeilingMlPerKg24h = weight, own
	r, err := Dose(in)
	require.NoError(t, err)
	return r.CeilingMl
}

func TestDoseCeilingTakesTheLowEndOfTheWeight(t *testing.T) {
	assert.Equal(t, 780.0, limitOf(t, Range{39, 44, 50}, nil))
	assert.Equal(t, 1000.0, limitOf(t, Range{40, 50, 61}, nil))
	assert.Equal(t, 1000.0, limitOf(t, Exactly(60), nil))
	assert.Equal(t, 1220.0, limitOf(t, Range{61, 62, 63}, nil))
	assert.Equal(t, 1170.0, limitOf(t, Range{39, 44, 50}, new(30.0)))
	in := foal(2, 14)
	in.WeightKg, in.BagMl, in.Bags = Range{45, 50, 55}, new(950.0), new(2)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "volume_24h_over_40", "1900 mL are 42 mL/kg at 45 kg")
}

func TestDoseBagNotesAreSilentWhenNothingIsOdd(t *testing.T) {
	raised := func(igg, bag, given float64) []string {
		in := foal(igg, 14)
		in.ShareFound = new(Exactly(1))
		in.BagMl, in.Given24hMl = &bag, &given
		r, err := Dose(in)
		require.NoError(t, err)
		return codes(r.Cautions)
	}
	assert.Equal(t, []string{"may_not_rise"}, raised(6, 950, 0), "675 mL: most of one bag")
	assert.Equal(t, []string{"may_not_rise"}, raised(7.9, 950, 0), "a first bag is never mostly spare")
	assert.Equal(t, []string{"may_not_rise"}, raised(5.5, 500, 0), "844 mL in two bags, 1000 mL in all")
	assert.Contains(t, raised(5.5, 500, 1), "plan_exceeds_one_day")
	// 8 - 14 x 750 / 4725 g/L: the need is one bag and a half of 500 mL.
	assert.NotContains(t, raised(5.7777, 500, 0), "last_bag_mostly_spare")
	assert.Contains(t, raised(5.7779, 500, 0), "last_bag_mostly_spare")
	assert.NotContains(t, raised(8, 950, 1000), "bag_larger_than_ceiling", "no bag is needed")
}
