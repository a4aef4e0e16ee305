package engine

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestSignalsAgreeWithPublishedFigures(t *testing.T) {
	for _, row := range published(t, "signals.csv") {
		t.Run(row["method"]+" "+row["in1"]+" "+row["in2"]+" "+row["in3"], func(t *testing.T) {
			in := func(i string) float64 { return row.num(t, "in"+i) }
			n := func(i string) int { return int(in(i)) }
			var got []float64
			switch row["method"] {
			case "interval":
				r, err := Interval(IntervalInput{Events: n("1"), Trials: n("2")})
				require.NoError(t, err)
				got = []float64{r.Low, r.High, r.OneSidedHigh}
			case "exact":
				r, err := Exact(ExactInput{A: n("1"), B: n("2"), C: n("3"), D: n("4")})
				require.NoError(t, err)
				got = []float64{r.PTwoSided, r.PGreater}
			case "demand":
				r, err := Demand(DemandInput{Foals: n("1"), FailureRate: in("2"), Service: in("3")})
				require.NoError(t, err)
				got = []float64{float64(r.FoalsCovered)}
			case "steady":
				r, err := SteadyDemand(SteadyDemandInput{Mean: in("1"), Service: in("2")})
				require.NoError(t, err)
				got = []float64{float64(r.Stock), r.Probability, r.ExpectedShort, r.Filled}
			}
			require.NotEmpty(t, got)
			for i, v := range got {
				if want := row.maybe(t, "out"+string(rune('1'+i))); want != nil {
					assert.InDelta(t, *want, v, 5.1e-5, "output %d", i+1)
				}
			}
		})
	}
}

// binomialUpTo adds P(X <= k) term by term.
func binomialUpTo(n, k int, p float64) float64 {
	sum := 0.0
	for i := 0; i <= k; i++ {
		ways := new(big.Float).SetInt(new(big.Int).Binomial(int64(n), int64(i)))
		w, _ := ways.Float64()
		sum += w * math.Pow(p, float64(i)) * math.Pow(1-p, float64(n-i))
	}
	return sum
}

func TestIntervalEndsHaveTheirTails(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		confidence := rapid.Float64Range(0.5, 0.999).Draw(t, "confidence")
		r, err := Interval(IntervalInput{Events: x, Trials: n, Confidence: &confidence})
		require.NoError(t, err)
		tail := (1 - confidence) / 2
		require.True(t, r.Low <= r.Share && r.Share <= r.High)
		if x < n {
			require.InDelta(t, tail, binomialUpTo(n, x, r.High), 1e-8)
			require.InDelta(t, 2*tail, binomialUpTo(n, x, r.OneSidedHigh), 1e-8)
		} else {
			require.Equal(t, 1.0, r.High)
		}
		if x > 0 {
			require.InDelta(t, 1-tail, binomialUpTo(n, x-1, r.Low), 1e-8)
		} else {
			require.Equal(t, 0.0, r.Low)
		}
	})
}

// 3 of 9 where one in twenty is usual: about one time in 120.
func TestByChance(t *testing.T) {
	require.InDelta(t, 1.0/120, ByChance(3, 9, 0.05), 1e-4)
	require.Equal(t, 1.0, ByChance(0, 9, 0.05))
	require.Equal(t, 1.0, ByChance(3, 2, 0.05))
	testrun.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "n")
		x, p := rapid.IntRange(1, n).Draw(t, "x"), rapid.Float64Range(0.01, 0.6).Draw(t, "p")
		require.InDelta(t, 1-binomialUpTo(n, x-1, p), ByChance(x, n, p), 1e-9)
	})
}

// The twin counts all tables with whole numbers.
func TestExactAgreesWithWholeNumberCounting(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		cell := rapid.IntRange(0, 25)
		a, b, c, d := cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")
		if a+b+c+d == 0 {
			return
		}
		r, err := Exact(ExactInput{A: a, B: b, C: c, D: d})
		require.NoError(t, err)
		ways := func(k int) *big.Int {
			if a+c-k < 0 {
				return new(big.Int)
			}
			x := new(big.Int).Binomial(int64(a+b), int64(k))
			return x.Mul(x, new(big.Int).Binomial(int64(c+d), int64(a+c-k)))
		}
		two, greater, less, all := new(big.Int), new(big.Int), new(big.Int), new(big.Int)
		for k := 0; k <= a+b; k++ {
			w := ways(k)
			all.Add(all, w)
			if w.Cmp(ways(a)) <= 0 {
				two.Add(two, w)
			}
			if k >= a {
				greater.Add(greater, w)
			}
			if k <= a {
				less.Add(less, w)
			}
		}
		p := func(x *big.Int) float64 { f, _ := new(big.Rat).SetFrac(x, all).Float64(); return f }
		require.InDelta(t, p(two), r.PTwoSided, 1e-9)
		require.InDelta(t, p(greater), r.PGreater, 1e-9)
		require.InDelta(t, p(less), r.PLess, 1e-9)
	})
}

func TestSignalsRefuseSlips(t *testing.T) {
	interval := func(x, n int, c float64) error { _, err := Interval(IntervalInput{x, n, &c}); return err }
	refused(t, interval(5, 4, 0.95), "events")
	refused(t, interval(-1, 4, 0.95), "events")
	refused(t, interval(0, 0, 0.95), "trials")
	refused(t, interval(0, maxTrials+1, 0.95), "trials")
	for _, c := range []float64{0, 1, 95, math.NaN(), math.Inf(1)} {
		refused(t, interval(1, 4, c), "confidence")
		_, err := Demand(DemandInput{Foals: 4, FailureRate: c, Service: 0.9})
		refused(t, err, "failure_rate")
		_, err = SteadyDemand(SteadyDemandInput{Mean: 4, Service: c})
		refused(t, err, "service")
	}
	_, err := SteadyDemand(SteadyDemandInput{Mean: math.NaN(), Service: 0.9})
	refused(t, err, "mean")
	_, err = Exact(ExactInput{})
	refused(t, err, "a")
	_, err = Exact(ExactInput{A: -1, B: 1})
	refused(t, err, "a")
	_, err = Demand(DemandInput{FailureRate: 0.1, Service: 0.9})
	refused(t, err, "foals")
}

func TestSignalsAtTheirLargest(t *testing.T) {
	r, err := Interval(IntervalInput{Events: maxTrials / 2, Trials: maxTrials})
	require.NoError(t, err)
	assert.InDelta(t, 0.5, (r.Low+r.High)/2, 1e-5)
	e, err := Exact(ExactInput{maxCell, maxCell, maxCell, maxCell})
	require.NoError(t, err)
	assert.InDelta(t, 1, e.PTwoSided, 1e-6)
	d, err := Demand(DemandInput{Foals: maxTrials, FailureRate: 0.5, Service: 0.5})
	require.NoError(t, err)
	assert.InDelta(t, maxTrials/2, d.FoalsCovered, 1)
	s, err := SteadyDemand(SteadyDemandInput{Mean: maxMean, Service: 0.5})
	require.NoError(t, err)
	assert.InDelta(t, maxMean, s.Stock, 2)
	i, err := Interval(IntervalInput{Events: 1, Trials: 3})
	require.NoError(t, err)
	assert.Contains(t, codes(i.Cautions), "few_trials")
	i, err = Interval(IntervalInput{Events: 1, Trials: 20})
	require.NoError(t, err)
	assert.Empty(t, i.Cautions)
}

func BenchmarkInterval(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Interval(IntervalInput{Events: 6, Trials: 69}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkExact(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Exact(ExactInput{6, 63, 0, 38}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDemand(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Demand(DemandInput{Foals: 100, FailureRate: 0.16, Service: 0.95}); err != nil {
			b.Fatal(err)
		}
	}
}
