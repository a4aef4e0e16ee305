package engine

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

// foal is a 50 kg newborn with an exactly measured IgG.
func foal(igg, donor float64) DoseInput {
	return DoseInput{
		WeightKg:      Exactly(50),
		IgGReading:    IgGReading{IgGGPerL: &igg},
		DonorIgGGPerL: new(Exactly(donor)),
		AgeH:          new(18.0),
	}
}

func TestDoseAgreesWithPublishedRises(t *testing.T) {
	for _, row := range published(t, "dose.csv") {
		t.Run(row["name"], func(t *testing.T) {
			in := foal(row.num(t, "igg_g_per_l"), row.num(t, "donor_igg_g_per_l"))
			in.WeightKg = Range{row.num(t, "weight_low_kg"), row.num(t, "weight_mid_kg"), row.num(t, "weight_high_kg")}
			in.BagMl, in.Bags = row.maybe(t, "volume_ml"), new(1)
			if share := row.maybe(t, "share"); share != nil {
				in.ShareFound = new(Exactly(*share))
			}
			r, err := Dose(in)
			require.NoError(t, err)
			assert.Equal(t, newbornDistribution, r.DistributionRangeMlPerKg)
			want := row.num(t, "value_g_per_l")
			got := r.ExpectedRiseGPerL
			if row["check"] == "exact" {
				assert.InDelta(t, want, got.Mid, 0.005)
				return
			}
			assert.GreaterOrEqual(t, want, got.Low)
			assert.InDelta(t, row.num(t, "misses_by_g_per_l"), math.Max(0, want-got.High), 0.001)
		})
	}
}

// The sum on paper: 6 g/L short in 50 kg at 94.5 mL/kg is 28.35 g; at a share of
// 1 and 20 g/L that is 1417.5 mL.
func TestDoseWorkedExample(t *testing.T) {
	in := foal(2, 20)
	in.ShareFound, in.DistributionMlPerKg = new(Exactly(1)), new(94.5)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 28.35, r.IgGLackingG.Mid, 1e-9)
	assert.InDelta(t, 1417.5, r.VolumeMl.Mid, 1e-9)
	assert.InDelta(t, 28.35, r.VolumeMlPerKg.Mid, 1e-9)
	assert.InDelta(t, 8, r.ExpectedIgGGPerL.Mid, 1e-9)
	for _, v := range []Range{r.IgGLackingG, r.VolumeMl, r.VolumeMlPerKg, *r.ExpectedRiseGPerL, *r.ExpectedIgGGPerL} {
		assert.Equal(t, Exactly(v.Mid), v, "with everything exact the three ends are equal")
	}
	assert.Equal(t, []string{Version}, r.Versions)
	assert.Nil(t, r.Bags)
}

func TestDoseDefaultShareWidensTheRange(t *testing.T) {
	in := foal(2, 20)
	in.DistributionMlPerKg = new(94.5)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 1417.5, r.VolumeMl.Low, 1e-9)
	assert.InDelta(t, 1417.5/0.7, r.VolumeMl.Mid, 1e-9)
	assert.InDelta(t, 1417.5/0.4, r.VolumeMl.High, 1e-9)
	assert.Contains(t, codes(r.Cautions), "may_not_rise")
}

func TestDoseBandCarriesBothEnds(t *testing.T) {
	in := foal(0, 20)
	in.IgGReading = IgGReading{IgGBand: &Band{2, 4}}
	in.ShareFound, in.DistributionMlPerKg = new(Exactly(1)), new(94.5)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 4*94.5*50/1000, r.IgGLackingG.Low, 1e-9)
	assert.InDelta(t, 6*94.5*50/1000, r.IgGLackingG.High, 1e-9)
	in.IgGBand = &Band{4, 2}
	_, err = Dose(in)
	refused(t, err, "igg_band")
}

func TestDoseUnknownIgGIsZeroAndSaysSo(t *testing.T) {
	in := foal(0, 20)
	want, err := Dose(in)
	require.NoError(t, err)
	in.IgGReading = IgGReading{IgGUnknown: true}
	got, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, want.VolumeMl, got.VolumeMl)
	assert.Contains(t, codes(got.Cautions), "igg_unknown_taken_as_zero")
}

func TestDoseUnitsRoundTrip(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		mg := rapid.Float64Range(10, 5000).Draw(t, "mg/dL")
		in := foal(mg/100, 14)
		a, err := Dose(in)
		require.NoError(t, err)
		in.IgGReading = IgGReading{IgGMgPerDL: &mg}
		b, err := Dose(in)
		require.NoError(t, err)
		assert.Equal(t, a.VolumeMl, b.VolumeMl)
	})
}

func TestDoseWithoutDonorIgGUsesMlPerKg(t *testing.T) {
	in := foal(2, 20)
	in.DonorIgGGPerL, in.BagMl = nil, new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, Range{20, 30, 40}, r.VolumeMlPerKg)
	assert.Equal(t, Range{1000, 1500, 2000}, r.VolumeMl)
	in.IgGReading = IgGReading{IgGBand: &Band{4, 8}}
	band, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, Range{0, 1500, 2000}, band.VolumeMl, "at the top of the band nothing is lacking")
	assert.Nil(t, r.ExpectedRiseGPerL)
	assert.Nil(t, r.Bags.Total.ExpectedIgGGPerL)
	assert.Contains(t, codes(r.Cautions), "donor_igg_missing")
}

func TestDoseNothingLacking(t *testing.T) {
	in := foal(8, 20)
	in.BagMl = new(950.0)
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, Range{}, r.VolumeMl)
	assert.Equal(t, 0, r.Bags.BagsTotal)
	assert.Nil(t, r.Bags.OneFewer)
	assert.Contains(t, codes(r.Cautions), "already_at_target")
	assert.NotContains(t, codes(r.Cautions), "may_not_rise")
}

// The published foals lie inside: those of both groups by their least and their
// most, counted as the source says.
func TestDosePublishedFoalsLieInside(t *testing.T) {
	foals := 0
	for _, g := range []struct {
		n                  int
		grams, least, most float64
		weight             Range
	}{
		{6, 20, 3.50, 4.80, Range{43.3, 50.3, 54.7}},
		{4, 30, 6.40, 9.20, Range{36.5, 43.2, 47.5}},
	} {
		in := foal(0, 100)
		in.WeightKg, in.BagMl, in.Bags = g.weight, new(g.grams*10), new(1)
		r, err := Dose(in)
		require.NoError(t, err)
		if got := r.ExpectedRiseGPerL; got.Low <= g.least && g.most <= got.High {
			foals += g.n
		}
		assert.Contains(t, r.Sources, srcFoalsInside)
	}
	assert.Equal(t, 10, foals)
	assert.Contains(t, srcFoalsInside, "all 10")
}

func TestDoseShowsTheOtherViewOfTheVolume(t *testing.T) {
	in := foal(2, 20)
	in.ShareFound = new(Exactly(1))
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, r.Steps, "by the teaching value of 66.6 mL/kg the middle would be 999 mL")
	in.DistributionMlPerKg = new(94.5)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, r.Sources, srcTeaching, "the vet's own volume stands alone")
}

func TestDoseDistributionByAge(t *testing.T) {
	for _, c := range []struct{ days, want, spread float64 }{
		{0, 94.5, 8.9}, {2, 94.5, 8.9}, {15, 78.15, 7.4}, {28, 61.8, 5.9},
	} {
		in := foal(2, 20)
		in.AgeH = new(c.days * 24)
		r, err := Dose(in)
		require.NoError(t, err)
		assert.InDelta(t, c.want, r.DistributionMlPerKg, 1e-9, "%v days", c.days)
		assert.InDelta(t, c.want-c.spread, r.DistributionRangeMlPerKg.Low, 1e-9, "%v days", c.days)
		assert.InDelta(t, c.want+c.spread, r.DistributionRangeMlPerKg.High, 1e-9, "%v days", c.days)
	}
	in := foal(2, 20)
	in.AgeH = new(28*24 + 1.0)
	_, err := Dose(in)
	refused(t, err, "distribution_ml_per_kg")
	in.DistributionMlPerKg = new(50.0)
	_, err = Dose(in)
	require.NoError(t, err)
	in = foal(2, 20)
	in.AgeH = nil
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "age_not_given")
}

func TestDoseRefusesSlips(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*DoseInput)
		field string
		hint  string
	}{
		"mg/dL typed as g/L":         {func(in *DoseInput) { in.IgGGPerL = new(350.0) }, "igg_g_per_l", "mg/dL?"},
		"g/L typed as mg/dL":         {func(in *DoseInput) { in.IgGReading = IgGReading{IgGMgPerDL: new(3.5)} }, "igg_mg_per_dl", "g/L?"},
		"two IgG":                    {func(in *DoseInput) { in.IgGUnknown = true }, "igg_g_per_l", "four"},
		"no IgG":                     {func(in *DoseInput) { in.IgGReading = IgGReading{} }, "igg_g_per_l", "four"},
		"no weight":                  {func(in *DoseInput) { in.WeightKg = Range{} }, "weight_kg", "pounds"},
		"grams":                      {func(in *DoseInput) { in.WeightKg = Exactly(50000) }, "weight_kg", "grams"},
		"weight range upside down":   {func(in *DoseInput) { in.WeightKg = Range{55, 50, 45} }, "weight_kg", ""},
		"donor in mg/dL":             {func(in *DoseInput) { in.DonorIgGGPerL = new(Exactly(1370)) }, "donor_igg_g_per_l", "mg/dL?"},
		"target in mg/dL":            {func(in *DoseInput) { in.TargetGPerL = new(800.0) }, "target_g_per_l", "mg/dL?"},
		"bag in litres":              {func(in *DoseInput) { in.BagMl = new(0.95) }, "bag_ml", "litres?"},
		"share in per cent":          {func(in *DoseInput) { in.ShareFound = new(Exactly(70)) }, "share_found", "per cent?"},
		"bags without their size":    {func(in *DoseInput) { in.Bags = new(2) }, "bag_ml", ""},
		"mL as bags":                 {func(in *DoseInput) { in.Bags, in.BagMl = new(950), new(950.0) }, "bags", "mL?"},
		"negative other":             {func(in *DoseInput) { in.OtherFluids24hMl = new(-1.0) }, "other_fluids_24h_ml", "mL"},
		"negative given":             {func(in *DoseInput) { in.Given24hMl = new(-1.0) }, "given_24h_ml", "mL"},
		"ceiling over 60 mL/kg":      {func(in *DoseInput) { in.CeilingMlPerKg24h = new(61.0) }, "ceiling_ml_per_kg_24h", "kg"},
		"infinite age":               {func(in *DoseInput) { in.AgeH = new(math.Inf(1)) }, "age_h", ""},
		"distribution as a share":    {func(in *DoseInput) { in.DistributionMlPerKg = new(0.09) }, "distribution_ml_per_kg", "share"},
		"no number in a donor's IgG": {func(in *DoseInput) { in.DonorIgGGPerL = new(Exactly(math.NaN())) }, "donor_igg_g_per_l", ""},
	} {
		t.Run(name, func(t *testing.T) {
			in := foal(2, 20)
			c.spoil(&in)
			r, err := Dose(in)
			assert.Contains(t, refused(t, err, c.field).Hint, c.hint)
			assert.Equal(t, DoseResult{}, r)
		})
	}
}

func TestDoseAsksAboutAnUnusualNewborn(t *testing.T) {
	for _, c := range []struct {
		kg, ageH float64
		want     bool
	}{{29, 10, true}, {30, 10, false}, {75, 10, false}, {110, 10, true}, {110, 72, false}} {
		in := foal(2, 20)
		in.WeightKg, in.AgeH = Exactly(c.kg), &c.ageH
		r, err := Dose(in)
		require.NoError(t, err)
		assert.Equal(t, c.want, slices.Contains(codes(r.Cautions), "newborn_weight_unusual"), "%+v", c)
	}
}

func TestDoseNeverGivesNonsense(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := DoseInput{
			WeightKg:            Range{wild().Draw(t, "w1"), wild().Draw(t, "w2"), wild().Draw(t, "w3")},
			IgGReading:          IgGReading{IgGGPerL: soft(t, "igg", 0, 2, 8, 50)},
			TargetGPerL:         soft(t, "target", 1, 8, 25),
			AgeH:                soft(t, "age", 0, 20, 200, 600),
			BagMl:               soft(t, "bag", 50, 950, 5000),
			DistributionMlPerKg: soft(t, "vd", 30, 90, 400),
			Given24hMl:          soft(t, "given", 0, 900, 5000),
			OtherFluids24hMl:    soft(t, "other", 0, 900, 5000),
			CeilingMlPerKg24h:   soft(t, "ceiling", 5, 20, 60),
		}
		if w := soft(t, "weight", 5, 30, 50, 1500); w != nil {
			in.WeightKg = Exactly(*w)
		}
		if d := soft(t, "donor", 2, 14, 120); d != nil {
			in.DonorIgGGPerL = new(Exactly(*d))
		}
		if in.BagMl != nil && rapid.Bool().Draw(t, "ask") {
			in.Bags = new(rapid.IntRange(-1, 61).Draw(t, "bags"))
		}
		r, err := Dose(in)
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		finiteRange(t, r.IgGLackingG, r.VolumeMl, r.VolumeMlPerKg)
		if r.ExpectedRiseGPerL != nil {
			finiteRange(t, *r.ExpectedRiseGPerL, *r.ExpectedIgGGPerL)
		}
		if r.Bags != nil {
			require.GreaterOrEqual(t, r.Bags.BagsNow, 0)
			require.LessOrEqual(t, r.Bags.BagsNow, r.Bags.BagsTotal)
			require.GreaterOrEqual(t, r.Bags.Total.VolumeMl, r.VolumeMl.Mid*(1-1e-9))
		}
		require.GreaterOrEqual(t, r.GiveNowMl, 0.0)
		require.GreaterOrEqual(t, r.LaterMl, 0.0)
		require.LessOrEqual(t, r.GiveNowMl, r.CeilingMl*(1+1e-9))
	})
}

// The twin tries every corner of the inputs and keeps the least and the most.
func TestDoseRangesAreTheLeastAndTheMostOfAllCorners(t *testing.T) {
	ends := func(r Range) []float64 { return []float64{r.Low, r.High} }
	draw := func(t *rapid.T, label string, low, high float64) Range {
		v := []float64{rapid.Float64Range(low, high).Draw(t, label), rapid.Float64Range(low, high).Draw(t, label), rapid.Float64Range(low, high).Draw(t, label)}
		slices.Sort(v)
		return Range{v[0], v[1], v[2]}
	}
	testrun.Check(t, func(t *rapid.T) {
		weight, igg := draw(t, "weight", 5, 100), draw(t, "igg", 0, 12)
		share, donor := draw(t, "share", 0.1, 1), draw(t, "donor", 2, 40)
		in := DoseInput{WeightKg: weight, IgGReading: IgGReading{IgGBand: &Band{igg.Low, igg.High}}, ShareFound: &share, DonorIgGGPerL: &donor,
			BagMl: new(1000.0), Bags: new(2)}
		r, err := Dose(in)
		require.NoError(t, err)
		var grams, volume, each, rise, after corners
		for _, w := range ends(weight) {
			for _, i := range ends(igg) {
				for _, s := range ends(share) {
					for _, d := range ends(donor) {
						for _, v := range []float64{0.0856, 0.1034} { // 94.5 -/+ 8.9
							short := math.Max(0, 8-i) * v * w
							grams.add(short)
							volume.add(short / (s * d) * 1000)
							each.add(short / (s * d) * 1000 / w)
							rise.add(2 * s * d / (v * w))
							after.add(i + 2*s*d/(v*w))
						}
					}
				}
			}
		}
		grams.agree(t, r.IgGLackingG)
		volume.agree(t, r.VolumeMl)
		each.agree(t, r.VolumeMlPerKg)
		rise.agree(t, *r.ExpectedRiseGPerL)
		after.agree(t, *r.ExpectedIgGGPerL)
	})
}

// corners keeps the least and the most of what it is shown.
type corners struct{ all []float64 }

func (c *corners) add(v float64) { c.all = append(c.all, v) }

func (c *corners) agree(t require.TestingT, r Range) {
	require.InEpsilon(t, 1+slices.Min(c.all), 1+r.Low, 1e-9)
	require.InEpsilon(t, 1+slices.Max(c.all), 1+r.High, 1e-9)
}

func TestDoseIsMonotone(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		igg, donor := rapid.Float64Range(0, 7).Draw(t, "igg"), rapid.Float64Range(8, 30).Draw(t, "donor")
		more := rapid.Float64Range(0, 1).Draw(t, "more")
		base, err := Dose(foal(igg, donor))
		require.NoError(t, err)
		less := func(spoil func(*DoseInput)) {
			in := foal(igg, donor)
			spoil(&in)
			r, err := Dose(in)
			require.NoError(t, err)
			require.LessOrEqual(t, r.VolumeMl.Mid, base.VolumeMl.Mid)
		}
		less(func(in *DoseInput) { in.IgGGPerL = new(igg + more) })
		less(func(in *DoseInput) { in.DonorIgGGPerL = new(Exactly(donor + more)) })
		less(func(in *DoseInput) { in.TargetGPerL = new(8 - more) })
		less(func(in *DoseInput) { in.WeightKg = Exactly(50 - more) })
		less(func(in *DoseInput) { in.AgeH = new(48 + 100*more) })
	})
}

func BenchmarkDose(b *testing.B) {
	in := foal(2, 20)
	in.BagMl = new(950.0)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Dose(in); err != nil {
			b.Fatal(err)
		}
	}
}

func TestIndicationsNameTheirSources(t *testing.T) {
	for _, i := range Indications() {
		assert.NotEmpty(t, i.Source, i.Name)
		assert.NotEmpty(t, i.Finding, i.Name)
		assert.LessOrEqual(t, i.LowMl, i.HighMl, i.Name)
	}
}

func TestDoseLimitsAreInside(t *testing.T) {
	in := foal(2, 14)
	in.BagMl, in.Bags = new(1000.0), new(maxBagsAsked)
	_, err := Dose(in)
	require.NoError(t, err)
	in.Bags = new(maxBagsAsked + 1)
	_, err = Dose(in)
	refused(t, err, "bags")
	in = foal(2, 14)
	in.IgGReading = IgGReading{IgGMgPerDL: new(0.0)}
	r, err := Dose(in)
	require.NoError(t, err, "0 mg/dL is a value")
	in.IgGReading = IgGReading{IgGBand: &Band{0, 4}}
	band, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, r.VolumeMl.Mid*6/8, band.VolumeMl.Mid, 1e-9, "the middle of the band is 2 g/L")
	in = foal(6, 14)
	in.BagMl = new(1000.0) // one bag is all, and the ceiling exactly
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Equal(t, 1, r.Bags.BagsNow)
	assert.NotContains(t, codes(r.Cautions), "plan_exceeds_one_day")
}

// The arithmetic of the practice's own share, by hand: 14 foals with a median of 0.62
// move the published middle of 0.7 by 14/24 of the way, to 0.6533.
func TestOwnShareMovesTheMiddleAlone(t *testing.T) {
	share, err := LearnShare(OwnShare{N: 14, Median: 0.62})
	require.NoError(t, err)
	assert.InDelta(t, 0.7-0.08*14/24, share.Mid, 1e-12)
	assert.Equal(t, Range{0.4, share.Mid, 1}, share)

	in := DoseInput{WeightKg: Exactly(50), IgGReading: IgGReading{IgGGPerL: new(3.5)}, DonorIgGGPerL: new(Exactly(18)), AgeH: new(20.0), BagMl: new(950.0)}
	plain, err := Dose(in)
	require.NoError(t, err)
	in.OwnShare = &OwnShare{N: 14, Median: 0.62}
	own, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, plain.VolumeMl.Mid*0.7/share.Mid, own.VolumeMl.Mid, 1e-9)
	assert.Equal(t, plain.VolumeMl.Low, own.VolumeMl.Low, "the ends stay as published")
	assert.Equal(t, plain.VolumeMl.High, own.VolumeMl.High)
	assert.Contains(t, strings.Join(own.Steps, "\n"), "0.7 + (0.62 - 0.7) x 14 / (14 + 10) = 0.653, by 14 foals of this practice")
	in.ShareFound = new(Exactly(0.5))
	given, err := Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(given.Steps, "\n"), "foals of this practice", "a share that was given goes first")

	for _, bad := range []OwnShare{{0, 0.7}, {-1, 0.7}, {100001, 0.7}, {5, math.NaN()}, {5, math.Inf(1)}, {5, 70}} {
		_, err := LearnShare(bad)
		require.Error(t, err, bad)
	}
}

// However many foals a practice measured and whatever they showed, the middle stays
// inside the published range and between the published middle and the practice's own.
func TestLawOwnShareStaysPublished(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		own := OwnShare{N: rapid.IntRange(1, 100000).Draw(t, "n"), Median: rapid.Float64Range(-5, 10).Draw(t, "median")}
		share, err := LearnShare(own)
		require.NoError(t, err)
		require.Equal(t, Range{0.4, share.Mid, 1}, share)
		require.GreaterOrEqual(t, share.Mid, max(0.4, min(0.7, own.Median))-1e-12)
		require.LessOrEqual(t, share.Mid, min(1, max(0.7, own.Median))+1e-12)
	})
}
