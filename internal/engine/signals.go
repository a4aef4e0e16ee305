package engine

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// Small numbers ask for exact methods: a reaction in 4 of 20 foals. Counts are bounded so that every answer comes at once.
const (
	maxTrials = 1_000_000
	maxCell   = 100_000
)

// count checks a whole number.
func (c *inputs) count(field string, v, low, high int) int {
	if v < low || v > high {
		c.refuse(refusal.New(field, v, fmt.Sprintf("%d to %d", low, high)))
	}
	return v
}

// share checks a number strictly between 0 and 1.
func (c *inputs) share(field string, v float64) float64 {
	if !(v > 0 && v < 1) {
		c.refuse(refusal.New(field, num(v), "more than 0 and less than 1").Because("per cent? 95 % is 0.95"))
	}
	return v
}

// IntervalInput asks how sure a share is: events seen in trials.
type IntervalInput struct {
	Events     int
	Trials     int
	Confidence *float64 // 0.95
}

// IntervalResult is the exact (Clopper and Pearson) interval. OneSidedHigh is the
// upper limit at the same confidence when only 'at most' is asked, as after none
// in n.
type IntervalResult struct {
	Basis
	Share        float64
	Low, High    float64
	OneSidedHigh float64
}

const (
	defaultConfidence = 0.95

	srcInterval = "exact interval: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2 (Clopper and Pearson)"
)

var fewTrials = caution.Define("few_trials", caution.Note,
	"%d is few: the interval is wide, and the next season may look quite different.")

// Interval computes an exact confidence interval for a share.
func Interval(in IntervalInput) (IntervalResult, error) {
	var r IntervalResult
	c := &inputs{basis: &r.Basis}
	n := c.count("trials", in.Trials, 1, maxTrials)
	x := c.count("events", in.Events, 0, max(0, min(n, maxTrials)))
	confidence := defaultConfidence
	if in.Confidence != nil {
		confidence = c.share("confidence", *in.Confidence)
	}
	if c.err != nil {
		return IntervalResult{}, c.err
	}
	alpha := 1 - confidence
	r.Share = float64(x) / float64(n)
	r.Low, r.High = lowerLimit(x, n, alpha/2), upperLimit(x, n, alpha/2)
	r.OneSidedHigh = upperLimit(x, n, alpha)
	r.step("%d of %d = %s; exact %s interval %s to %s; at most %s (one-sided)", x, n, r.Share, confidence, r.Low, r.High, r.OneSidedHigh)
	r.source(srcInterval)
	if n < 20 {
		r.caution(fewTrials.With(n))
	}
	r.Versions = []string{Version}
	return r, nil
}

// lowerLimit is the share at which x or more events have probability tail.
func lowerLimit(x, n int, tail float64) float64 {
	if x == 0 {
		return 0
	}
	return distuv.Beta{Alpha: float64(x), Beta: float64(n - x + 1)}.Quantile(tail)
}

// upperLimit is the share at which x or fewer events have probability tail.
func upperLimit(x, n int, tail float64) float64 {
	if x == n {
		return 1
	}
	return distuv.Beta{Alpha: float64(x + 1), Beta: float64(n - x)}.Quantile(1 - tail)
}

// ExactInput is a 2x2 table: with and without the event, in two groups.
type ExactInput struct {
	A, B int // first group: with, without
	C, D int // second group
}

// ExactResult is Fisher's exact test. Two-sided adds all tables no likelier than
// the one seen; greater and less speak of A given the margins.
type ExactResult struct {
	Basis
	PTwoSided float64
	PGreater  float64
	PLess     float64
}

const srcFisher = "Fisher's exact test: Agresti, Categorical Data Analysis, 2002, p. 91"

var manyLooks = caution.Define("one_look_of_many", caution.Note,
	"Look at enough tables and one will seem striking by chance. A small p is a reason to look, not proof.")

// Exact tests a 2x2 table.
func Exact(in ExactInput) (ExactResult, error) {
	var r ExactResult
	c := &inputs{basis: &r.Basis}
	a, b := c.count("a", in.A, 0, maxCell), c.count("b", in.B, 0, maxCell)
	cc, d := c.count("c", in.C, 0, maxCell), c.count("d", in.D, 0, maxCell)
	if c.err == nil && a+b+cc+d == 0 {
		c.refuse(refusal.New("a", 0, "at least one case in the table"))
	}
	if c.err != nil {
		return ExactResult{}, c.err
	}
	r.PTwoSided, r.PGreater, r.PLess = fisher(a, b, cc, d)
	r.step("[[%d, %d], [%d, %d]]: two-sided p %s, greater %s, less %s", a, b, cc, d, r.PTwoSided, r.PGreater, r.PLess)
	r.source(srcFisher)
	r.caution(manyLooks.With())
	r.Versions = []string{Version}
	return r, nil
}

// fisher sums the hypergeometric probabilities of all tables with these margins.
func fisher(a, b, c, d int) (twoSided, greater, less float64) {
	row, other, column := a+b, c+d, a+c
	low, high := max(0, column-other), min(row, column)
	all := combin.LogGeneralizedBinomial(float64(row+other), float64(column))
	p := func(k int) float64 {
		return math.Exp(combin.LogGeneralizedBinomial(float64(row), float64(k)) +
			combin.LogGeneralizedBinomial(float64(other), float64(column-k)) - all)
	}
	// Tables as likely as the one seen must not be lost to rounding.
	seen := p(a) * (1 + 1e-7)
	for k := low; k <= high; k++ {
		v := p(k)
		if v <= seen {
			twoSided += v
		}
		if k >= a {
			greater += v
		}
		if k <= a {
			less += v
		}
	}
	return math.Min(1, twoSided), math.Min(1, greater), math.Min(1, less)
}

// ByChance is the chance of so many events or more in so many trials where each comes
// with a known share. Outside of its bounds it is 1: nothing can be said.
func ByChance(events, trials int, share float64) float64 {
	if events <= 0 || events > trials || trials > maxTrials || !(share > 0 && share < 1) {
		return 1
	}
	return 1 - distuv.Binomial{N: float64(trials), P: share}.CDF(float64(events-1))
}
