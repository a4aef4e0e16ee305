package engine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestDoseTakesTheBatchBeforeTheLabel(t *testing.T) {
	in := foal(2, 20)
	batch, err := Dose(in)
	require.NoError(t, err)
	in.LabelIgGGPerL = new(12.0)
	both, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, batch.VolumeMl, both.VolumeMl)
	assert.NotContains(t, codes(both.Cautions), "donor_igg_is_label_least")
	in.DonorIgGGPerL = nil
	label, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, batch.VolumeMl.Mid*20/12, label.VolumeMl.Mid, 1e-9)
	assert.Contains(t, codes(label.Cautions), "donor_igg_is_label_least")
	in.LabelIgGGPerL = new(1200.0)
	_, err = Dose(in)
	assert.Contains(t, refused(t, err, "label_igg_g_per_l").Hint, "mg/dL")
}

// On paper: 6 g/L short in 50 kg at 94.5 mL/kg and a share of 1 are 28.35 g. A bag
// of 950 mL with 18 g/L holds 17.1 g; the rest of 11.25 g is 900 mL of 12.5 g/L.
func TestDoseOfTwoBatches(t *testing.T) {
	in := foal(2, 20)
	in.DonorIgGGPerL = nil
	in.ShareFound, in.DistributionMlPerKg = new(Exactly(1)), new(94.5)
	in.Chosen = []DoseBag{{950, new(18.0)}, {1000, new(12.5)}}
	r, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 950+900, r.VolumeMl.Mid, 1e-9)
	assert.Equal(t, 2, r.Bags.BagsNow)
	assert.Equal(t, 1950.0, r.GiveNowMl, "100 mL of 1000 are less than an eighth: the whole second bag")
	assert.InDelta(t, 2+(17100+12500)/4725.0, r.ExpectedIgGGPerL.Mid, 1e-9)
	assert.Equal(t, "Now: 1950 mL: 2 bags.", r.Now)
	in.Chosen = []DoseBag{{1000, new(12.5)}, {950, new(18.0)}}
	other, err := Dose(in)
	require.NoError(t, err)
	assert.InDelta(t, 1000+15850/18.0, other.VolumeMl.Mid, 1e-9, "the order counts")
	in.Chosen = []DoseBag{{950, new(18.0)}, {1000, nil}}
	none, err := Dose(in)
	require.NoError(t, err)
	assert.Contains(t, codes(none.Cautions), "donor_igg_missing", "one bag without a value: no mass balance")
	assert.Nil(t, none.ExpectedIgGGPerL)
	in.LabelIgGGPerL = new(12.5)
	label, err := Dose(in)
	require.NoError(t, err)
	assert.Equal(t, r.VolumeMl, label.VolumeMl)
	in.BagMl = new(950.0)
	_, err = Dose(in)
	refused(t, err, "bag")
}

// Bags of one batch, listed one by one, give the same plan as their size and IgG.
func TestDoseListedBagsOfOneBatchAreTheSamePlan(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		igg, donor := rapid.Float64Range(0, 8).Draw(t, "igg"), rapid.Float64Range(8, 30).Draw(t, "donor")
		bag, given := rapid.Float64Range(200, 1200).Draw(t, "bag"), rapid.Float64Range(0, 2500).Draw(t, "given")
		n := rapid.IntRange(1, 6).Draw(t, "n")
		one := foal(igg, donor)
		one.BagMl, one.Given24hMl = &bag, &given
		many := one
		many.DonorIgGGPerL, many.BagMl = nil, nil
		for range n {
			many.Chosen = append(many.Chosen, DoseBag{bag, &donor})
		}
		a, err := Dose(one)
		require.NoError(t, err)
		b, err := Dose(many)
		require.NoError(t, err)
		require.Equal(t, a.Now, b.Now)
		require.InDelta(t, a.VolumeMl.High, b.VolumeMl.High, 1e-6)
		require.InDelta(t, a.GiveNowMl, b.GiveNowMl, 1e-6)
		require.Equal(t, a.Bags.BagsTotal, b.Bags.BagsTotal)
		require.InDelta(t, a.ExpectedIgGGPerL.Low, b.ExpectedIgGGPerL.Low, 1e-6)
	})
}

func TestDoseByMlPerKg(t *testing.T) {
	in := foal(2, 20)
	in.IgGReading, in.Indication = IgGReading{}, ForSepsis
	r, err := Dose(in)
	require.NoError(t, err, "IgG is not needed")
	assert.Equal(t, Range{1000, 1500, 2000}, r.VolumeMl)
	assert.Equal(t, 1500.0, r.GiveNowMl)
	assert.NotNil(t, r.ExpectedRiseGPerL)
	assert.Nil(t, r.ExpectedIgGGPerL)
	assert.Contains(t, codes(r.Cautions), "planned_by_ml_per_kg")
	assert.NotContains(t, codes(r.Cautions), "may_not_rise")
	in.MlPerKg = new(15.0)
	in.IgGGPerL = new(2.0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Equal(t, Exactly(750), r.VolumeMl)
	assert.Greater(t, r.ExpectedIgGGPerL.Mid, 2.0)
	in.Indication = ForTransfer
	_, err = Dose(in)
	refused(t, err, "reason")
	in.Reason = "no test here, never sucked"
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Contains(t, strings.Join(r.Steps, "\n"), "for failure of transfer, no test here, never sucked: 15 mL/kg x 50 kg = 750 mL")
	in.Indication, in.Reason = ForOther, " "
	_, err = Dose(in)
	refused(t, err, "reason")
	in.Indication = "colic"
	_, err = Dose(in)
	refused(t, err, "indication")
}

// A patient over 28 days needs no distribution volume for a plan by mL/kg, and an
// adult no age; for an adult nothing stands in for the mL/kg.
func TestDoseByMlPerKgOfAdults(t *testing.T) {
	in := DoseInput{WeightKg: Exactly(110), AgeH: new(60 * 24.0), Indication: ForRhodo, DonorIgGGPerL: new(Exactly(20))}
	r, err := Dose(in)
	require.NoError(t, err)
	assert.Nil(t, r.ExpectedRiseGPerL)
	assert.Zero(t, r.DistributionMlPerKg)
	assert.Contains(t, r.Steps, "no rise is predicted: no distribution volume is published for this age")
	in = DoseInput{WeightKg: Exactly(500), Indication: ForProtein}
	_, err = Dose(in)
	refused(t, err, "ml_per_kg")
	in.MlPerKg = new(10.0)
	r, err = Dose(in)
	require.NoError(t, err)
	assert.Equal(t, 5000.0, r.GiveNowMl)
	assert.NotContains(t, codes(r.Cautions), "volume_24h_over_day_limit", "1 L a day is about foals")
}

func TestDoseBefore12Hours(t *testing.T) {
	for age, want := range map[float64]bool{0: true, 11.9: true, 12: false, 20: false} {
		in := foal(2, 20)
		in.AgeH = &age
		r, err := Dose(in)
		require.NoError(t, err)
		for _, code := range []string{"colostrum_still_counts", "igg_before_12h"} {
			if want {
				assert.Contains(t, codes(r.Cautions), code, "%v h", age)
			} else {
				assert.NotContains(t, codes(r.Cautions), code, "%v h", age)
			}
		}
	}
	in := foal(2, 20)
	in.AgeH, in.IgGReading = new(6.0), IgGReading{IgGUnknown: true}
	r, err := Dose(in)
	require.NoError(t, err)
	assert.NotContains(t, codes(r.Cautions), "igg_before_12h", "nothing was tested")
}

// Both sides of 'does IgG tell illness' stand together wherever one does.
func TestBothSidesOfIgGAndIllness(t *testing.T) {
	d, err := Dose(foal(2, 20))
	require.NoError(t, err)
	a, err := Assess(AssessInput{AgeH: new(20.0), IgGReading: IgGReading{IgGGPerL: new(2.0)}})
	require.NoError(t, err)
	for _, sources := range [][]string{d.Sources, a.Sources} {
		all := strings.Join(sources, "\n")
		for _, study := range []string{"Liepman", "Baldwin", "Raidal", "Clabough"} {
			assert.Contains(t, all, study)
		}
	}
	for _, part := range []string{"likelier to die", "323 foals", "3.5 times", "44.7 %"} {
		assert.Contains(t, iggNotAlone.With().Text, part)
	}
	d, err = Dose(foal(8, 20))
	require.NoError(t, err)
	assert.NotContains(t, codes(d.Cautions), "igg_alone_not_treatment")
}

// The newborn's volume is never used over 120 kg: an age, or a volume, is asked for.
func TestDoseOfALargePatientNeedsAnAge(t *testing.T) {
	in := foal(2, 20)
	in.AgeH, in.WeightKg = nil, Exactly(121)
	_, err := Dose(in)
	refused(t, err, "age_h")
	in.DistributionMlPerKg = new(60.0)
	_, err = Dose(in)
	require.NoError(t, err)
	in.WeightKg, in.DistributionMlPerKg = Exactly(120), nil
	_, err = Dose(in)
	require.NoError(t, err)
	_, err = Response(ResponseInput{WeightKg: 121, IgGBeforeGPerL: new(2.0), IgGAfterGPerL: new(4.0), GivenMl: 1000, DonorIgGGPerL: 14})
	refused(t, err, "age_h")
}
