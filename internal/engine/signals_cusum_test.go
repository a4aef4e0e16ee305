package engine

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// The reference 1.4427 for 1 and 2 is Lucas's rule (Technometrics 1985;27:129-144,
// from memory); the run lengths were computed by another program that signals at
// S >= h too.
func TestCUSUMRunLengths(t *testing.T) {
	for _, row := range []struct{ k, h, usual, raised float64 }{
		{1.4, 5, 194.59, 8.614},
		{1.5, 5, 273.65, 9.438},
	} {
		r, err := CUSUM(CUSUMInput{Usual: 1, Raised: 2, Reference: &row.k, Decision: &row.h})
		require.NoError(t, err)
		assert.InEpsilon(t, row.usual, r.RunLengthUsual, 1e-3)
		assert.InEpsilon(t, row.raised, r.RunLengthRaised, 1e-3)
	}
	r, err := CUSUM(CUSUMInput{Usual: 1, Raised: 2})
	require.NoError(t, err)
	assert.InDelta(t, 1/math.Ln2, r.Reference, 0.05, "on a lattice of tenths")
	assert.GreaterOrEqual(t, r.RunLengthUsual, defaultFalseEvery)
	assert.Contains(t, codes(r.Cautions), "signal_asks_for_a_look")
}

// The twin walks the distribution of sums look by look until nothing is left.
func TestCUSUMRunLengthAgainstAWalk(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		mean := float64(rapid.IntRange(30, 250).Draw(t, "mean in hundredths")) / 100
		reference, decision := rapid.IntRange(10, 30).Draw(t, "k in tenths"), rapid.IntRange(5, 25).Draw(t, "h in tenths")
		k, h := float64(reference)/10, float64(decision)/10
		r, err := CUSUM(CUSUMInput{Usual: mean, Raised: 2 * mean, Reference: &k, Decision: &h})
		require.NoError(t, err)
		x := distuv.Poisson{Lambda: mean}
		sums, looks, left := make([]float64, decision), 0.0, 1.0
		sums[0] = 1
		for walked := 0; left > 1e-9; walked++ {
			if walked == 3000 {
				return // too long a walk
			}
			next := make([]float64, decision)
			left = 0
			for s, p := range sums {
				looks += p
				for n := 0; s+10*n-reference < decision; n++ {
					stays := p * x.Prob(float64(n))
					next[max(0, s+10*n-reference)] += stays
					left += stays
				}
			}
			sums = next
		}
		require.InEpsilon(t, looks, r.RunLengthUsual, 1e-6)
	})
}

func TestCUSUMFollowsReactions(t *testing.T) {
	k, h := 0.5, 2.0
	r, err := CUSUM(CUSUMInput{Counts: []int{0, 1, 1, 0, 1, 1, 1, 0, 5, 0}, Usual: 0.3, Raised: 0.8, Reference: &k, Decision: &h})
	require.NoError(t, err)
	// By hand: 0; 0.5; 1; 0.5; 1; 1.5; 2 signals and begins anew; 0; 4.5 signals; 0.
	require.Equal(t, []float64{0, 0.5, 1, 0.5, 1, 1.5, 2, 0, 4.5, 0}, r.Sums)
	require.Equal(t, []int{7, 9}, r.Signals)
}

func TestCUSUMRefusesSlips(t *testing.T) {
	one := 1.0
	far := 61.0
	for field, in := range map[string]CUSUMInput{
		"usual":     {Usual: 0, Raised: 1},
		"raised":    {Usual: 1, Raised: 1},
		"counts":    {Usual: 1, Raised: 2, Counts: []int{-1}},
		"reference": {Usual: 1, Raised: 2, Reference: new(float64)},
		"decision":  {Usual: 1, Raised: 2, Decision: &far},
	} {
		_, err := CUSUM(in)
		refused(t, err, field)
	}
	nan := math.NaN()
	_, err := CUSUM(CUSUMInput{Usual: nan, Raised: 2})
	refused(t, err, "usual")
	_, err = CUSUM(CUSUMInput{Usual: 1, Raised: 2, FalseEvery: &one})
	refused(t, err, "false_every")
	wide := 20.0
	_, err = CUSUM(CUSUMInput{Usual: 0.1, Raised: 0.2, Decision: &wide})
	refused(t, err, "decision")
	r, err := CUSUM(CUSUMInput{Usual: 1, Raised: 2, Counts: []int{maxTrials, maxTrials}})
	require.NoError(t, err)
	require.Equal(t, []int{1, 2}, r.Signals)
}
