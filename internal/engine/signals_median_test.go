package engine

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// The ranks of the interval are those of the sign test: of 6 the first and last, of
// 10 the second and ninth, of 20 the sixth and fifteenth (common tables, from memory;
// checked by binomial sums here).
func TestTheMedianAndHowSureItIs(t *testing.T) {
	for _, row := range []struct{ n, low, high int }{{6, 1, 6}, {10, 2, 9}, {20, 6, 15}} {
		values := make([]float64, row.n)
		for i := range values {
			values[i] = float64(i + 1)
		}
		rand.New(rand.NewPCG(1, uint64(row.n))).Shuffle(row.n, func(i, j int) { values[i], values[j] = values[j], values[i] })
		m, err := MiddleOf(values)
		require.NoError(t, err)
		require.Equal(t, &Range{float64(row.low), float64(row.n+1) / 2, float64(row.high)}, m.Median)
		require.LessOrEqual(t, binomialUpTo(row.n, row.low-1, 0.5), 0.025)
		require.Greater(t, binomialUpTo(row.n, row.low, 0.5), 0.025)
	}
	m, err := MiddleOf([]float64{1, 2, 3, 4, 5})
	require.NoError(t, err)
	require.Nil(t, m.Median, "five values are too few")
	require.Equal(t, 3.0, m.Quartiles.Mid)
	_, err = MiddleOf([]float64{math.NaN()})
	refused(t, err, "values")
	m, err = MiddleOf(nil)
	require.NoError(t, err)
	require.Zero(t, m)
}

// Over samples of a known distribution the interval holds the true median at least
// as often as it says, within the error of so many samples.
func TestTheMedianIsCovered(t *testing.T) {
	random, held := rand.New(rand.NewPCG(7, 7)), 0
	const samples = 4000
	for range samples {
		values := make([]float64, 6+random.IntN(30))
		for i := range values {
			values[i] = random.ExpFloat64()
		}
		m, err := MiddleOf(values)
		require.NoError(t, err)
		if m.Median.Low <= math.Ln2 && math.Ln2 <= m.Median.High {
			held++
		}
	}
	require.GreaterOrEqual(t, float64(held)/samples, 0.95-3*math.Sqrt(0.05*0.95/samples))
}

func TestMiddleIsOrdered(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-5, 5), 1, 60).Draw(t, "values")
		m, err := MiddleOf(values)
		require.NoError(t, err)
		require.True(t, m.Quartiles.Low <= m.Quartiles.Mid && m.Quartiles.Mid <= m.Quartiles.High, "%+v", m)
		if m.Median != nil {
			require.True(t, m.Median.Low <= m.Quartiles.Mid && m.Quartiles.Mid <= m.Median.High, "%+v", m)
		}
	})
}
