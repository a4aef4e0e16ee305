package engine

import (
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/refusal"
)

// Middle is what a handful of measured values says: quartiles and median, and how
// sure the median is.
type Middle struct {
	Quartiles Range // lower quartile, median, upper quartile
	// Median is the interval of the median at 95 % or more, by order statistics: it
	// asks nothing of the distribution. Nil for fewer than six values.
	Median *Range
}

const maxValues = 100_000

// MiddleOf takes values in any order. Without any it is the zero value.
func MiddleOf(values []float64) (Middle, error) {
	if len(values) > maxValues {
		return Middle{}, refusal.New("values", len(values), "at most 100000")
	}
	if len(values) == 0 {
		return Middle{}, nil
	}
	v := slices.Sorted(slices.Values(values))
	for _, x := range v {
		if !finite(x) {
			return Middle{}, refusal.New("values", num(x), "numbers")
		}
	}
	at := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, v, nil) }
	median := (v[(len(v)-1)/2] + v[len(v)/2]) / 2
	out := Middle{Quartiles: Range{at(0.25), median, at(0.75)}}
	// The chance that the median lies under the k-th smallest value is P(X < k) for X
	// of so many tosses of a coin.
	toss := distuv.Binomial{N: float64(len(v)), P: 0.5}
	if k := last(len(v)/2, func(k int) bool { return toss.CDF(float64(k-1)) <= (1-defaultConfidence)/2 }); k > 0 {
		out.Median = &Range{v[k-1], median, v[len(v)-k]}
	}
	return out, nil
}

// last is the greatest k in 1..n that holds, where all smaller ones do; 0 for none.
func last(n int, holds func(int) bool) int {
	for k := n; k > 0; k-- {
		if holds(k) {
			return k
		}
	}
	return 0
}
