package engine

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// lacking is a foal of a weight that lacks exactly so many mL by the middle estimate.
func lacking(weight, ml float64) DoseInput {
	in := foal(0, 20)
	in.WeightKg, in.AgeH = Exactly(weight), new(100*24.0)
	in.DistributionMlPerKg = new(100.0)
	in.DonorIgGGPerL = new(Exactly(20))
	in.ShareFound = new(Exactly(1))
	in.TargetGPerL = new(8.0)
	// (8 - igg) x 100 x weight / 20 = ml
	*in.IgGGPerL = 8 - ml*20/(100*weight)
	if *in.IgGGPerL < 0 {
		*in.IgGGPerL = 0
		in.DonorIgGGPerL = new(Exactly(8 * 100 * weight / ml))
	}
	return in
}

func TestDoseNowInMl(t *testing.T) {
	for _, row := range published(t, "dose_now.csv") {
		t.Run(row["name"], func(t *testing.T) {
			in := lacking(row.num(t, "weight_kg"), row.num(t, "lack_ml"))
			in.BagMl, in.Given24hMl, in.CeilingMlPerKg24h = row.maybe(t, "bag_ml"), row.maybe(t, "given_ml"), row.maybe(t, "ceiling_ml_per_kg")
			r, err := Dose(in)
			require.NoError(t, err)
			require.InDelta(t, row.num(t, "lack_ml"), r.VolumeMl.Mid, 1e-6)
			assert.InDelta(t, row.num(t, "now_ml"), r.GiveNowMl, 1e-6)
			assert.InDelta(t, row.num(t, "later_ml"), r.LaterMl, 1e-6)
			assert.InDelta(t, row.num(t, "rest_ml"), r.RestOfBagMl, 1e-6)
			assert.Equal(t, row["sentence"], r.Now)
			assert.Equal(t, r.Now, r.Steps[0], "the sentence comes first")
			if want := row.maybe(t, "bags_now"); want != nil {
				assert.Equal(t, int(*want), r.Bags.BagsNow)
				assert.Equal(t, int(row.num(t, "bags_total")), r.Bags.BagsTotal)
				assert.Equal(t, r.GiveNowMl, r.Bags.Now.VolumeMl)
			}
		})
	}
}

// What may be given now never passes the ceiling nor, but for less than an eighth
// of a bag, what is lacking; where something may be given it is said in mL, with at
// least one bag.
func TestDoseNowKeepsToNeedAndCeiling(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		weight, lack := rapid.Float64Range(8, 90).Draw(t, "weight"), rapid.Float64Range(0, 6000).Draw(t, "lack")
		bag, given := rapid.Float64Range(100, 2000).Draw(t, "bag"), rapid.Float64Range(0, 4000).Draw(t, "given")
		in := lacking(weight, lack)
		if in.DonorIgGGPerL.Mid < boundsDonor.hardLow {
			return
		}
		in.BagMl, in.Given24hMl = &bag, &given
		r, err := Dose(in)
		require.NoError(t, err)
		room := math.Max(0, 40*weight-given)
		require.LessOrEqual(t, r.GiveNowMl, room+1e-6)
		require.LessOrEqual(t, r.GiveNowMl, r.VolumeMl.Mid+bag/8+1e-6)
		least := math.Min(r.VolumeMl.Mid, room)
		if least > bag {
			least -= bag / 8
		}
		require.GreaterOrEqual(t, r.GiveNowMl, least-1e-6)
		require.NotContains(t, r.Now, " 0 bags")
		if r.GiveNowMl > 1e-6 {
			require.GreaterOrEqual(t, r.Bags.BagsNow, 1)
		}
		require.InDelta(t, float64(r.Bags.BagsNow)*bag, r.GiveNowMl+r.RestOfBagMl, 1e-6)
	})
}

func TestDoseInBags(t *testing.T) {
	in := foal(2, 19.57) // 2.07 L
	in.BagMl = new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	require.InDelta(t, 2070, r.VolumeMl.Mid, 1)
	assert.Equal(t, 3, r.Bags.BagsTotal)
	assert.Equal(t, 2, r.Bags.BagsNow, "2000 mL are the ceiling: 100 mL of a third bag are not opened")
	assert.Equal(t, 2, r.Bags.OneFewer.Bags)
	assert.InDelta(t, 0.7*19.57*1900/(94.5*50), r.Bags.OneFewer.ExpectedRiseGPerL.Mid, 1e-9)
	assert.Contains(t, codes(r.Cautions), "last_bag_mostly_spare", "2.07 L is not silently 3 bags")
	assert.Contains(t, codes(r.Cautions), "plan_exceeds_one_day")
	assert.InDelta(t, 8, r.ExpectedIgGGPerL.Mid, 1e-9, "expected after the middle volume, not after whole bags")
	assert.Contains(t, r.Steps, wholeBagRule)
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
		{39, 0, 1, all[0]}, // 25.6 mL/kg
		{60, 0, 1, ""},
		{61, 0, 1, ""}, // no step between 60 and 61 kg, nor between 39 and 40
		{60, 1, 1, all[0]},
		{61, 1, 1, all[0]},
		{40, 0, 1, all[0]},
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

// The caution is about what may be given, not about whole bags or about nothing.
func TestDoseCautionsJudgeWhatIsGiven(t *testing.T) {
	in := lacking(24, 700) // 29 mL/kg, a part of one bag
	in.BagMl = new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "volume_24h_over_day_limit")
	in = lacking(24, 320) // 13 mL/kg; the bag would be 40
	in.BagMl = new(950.0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, codes(r.Cautions), "volume_24h_over_day_limit")
	assert.NotContains(t, codes(r.Cautions), "bag_larger_than_ceiling")
}

func TestDoseCountsOtherFluidsApart(t *testing.T) {
	in := foal(0, 14)
	in.OtherFluids24hMl = new(3000.0)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, 2000.0, r.GiveNowMl, "other fluids take nothing from the ceiling of plasma")
	assert.Equal(t, 3000.0, r.OtherFluids24hMl)
	assert.Contains(t, codes(r.Cautions), "other_fluids_24h")
	assert.NotContains(t, codes(r.Cautions), "volume_24h_over_60")
	in.OtherFluids24hMl, in.Given24hMl = nil, new(3000.0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Zero(t, r.GiveNowMl)
	assert.NotContains(t, codes(r.Cautions), "other_fluids_24h")
	in.OtherFluids24hMl = new(-1.0)
	_, err = Dose(in)
	refused(t, err, "other_fluids_24h_ml")
}

func TestDoseOwnCeiling(t *testing.T) {
	in := foal(0, 14)
	in.CeilingMlPerKg24h = new(50.0)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, 2500.0, r.GiveNowMl)
	assert.Contains(t, codes(r.Cautions), "ceiling_loosened")
	assert.Contains(t, codes(r.Cautions), "volume_24h_over_40")
	in.CeilingMlPerKg24h, in.BagMl = new(15.0), new(950.0)
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
	assert.InDelta(t, r.VolumeMl.Mid/50, r.Bags.Total.VolumeMlPerKg, 1e-9)
	assert.Equal(t, 2850.0, r.Bags.OneFewer.VolumeMl)
	assert.Contains(t, strings.Join(r.Steps, "\n"), "one bag fewer: 2850 mL = 57 mL/kg, from 3 bags")
}

// limitOf is the ceiling of 24 h for a weight.
func limitOf(t *testing.T, weight Range, own *float64) float64 {
	in := foal(2, 14)
	in.WeightKg, in.CeilingMlPerKg24h = weight, own
	r, err := Dose(in)
	require.NoError(t, err)
	return r.CeilingMl
}

func TestDoseCeilingHasNoStepAndNoTapeOfItsOwn(t *testing.T) {
	for _, kg := range []float64{39, 40, 60, 61} {
		assert.Equal(t, 40*kg, limitOf(t, Exactly(kg), nil))
	}
	assert.Equal(t, 2000.0, limitOf(t, Range{45, 50, 55}, nil), "a tape has the ceiling of its middle")
	assert.Equal(t, 1320.0, limitOf(t, Range{39, 44, 50}, new(30.0)))
	in := foal(2, 14)
	in.WeightKg, in.BagMl, in.Bags = Range{45, 50, 55}, new(950.0), new(2)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "volume_24h_over_day_limit", "38 mL/kg")
	assert.Contains(t, codes(r.Cautions), "volume_24h_at_low_weight", "1900 mL are 42 mL/kg at 45 kg")
	in.WeightKg = Range{48, 50, 52}
	r, err = Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, codes(r.Cautions), "volume_24h_at_low_weight")
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
	assert.Equal(t, []string{"may_not_rise", "igg_alone_not_treatment"}, raised(6, 950, 0), "675 mL: most of one bag")
	assert.Equal(t, []string{"may_not_rise", "igg_alone_not_treatment"}, raised(7.9, 950, 0), "a first bag is never mostly spare")
	assert.Equal(t, []string{"may_not_rise", "igg_alone_not_treatment"}, raised(5.5, 500, 0), "844 mL in two bags, 1000 mL in all")
	assert.NotContains(t, raised(5.5, 500, 1156.24), "plan_exceeds_one_day")
	assert.Contains(t, raised(5.5, 500, 1156.26), "plan_exceeds_one_day")
	// 8 - 14 x 750 / 4725 g/L: the need is one bag and a half of 500 mL.
	assert.NotContains(t, raised(5.7777, 500, 0), "last_bag_mostly_spare")
	assert.Contains(t, raised(5.7779, 500, 0), "last_bag_mostly_spare")
	assert.NotContains(t, raised(8, 950, 1000), "bag_larger_than_ceiling", "no bag is needed")
}
