package engine

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// Small numbers ask for exact methods: a reaction in 4 of 20 foals, a stock for
// 100 foals. Counts are bounded so that every answer comes at once.
const (
	maxTrials = 1_000_000
	maxCell   = 100_000
	maxMean   = 100_000
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

// DemandInput asks for how many foals plasma should lie ready.
type DemandInput struct {
	Foals       int
	FailureRate float64 // share of foals that need plasma
	Service     float64 // wanted probability that the stock is enough
}

// DemandResult is the smallest k with P(X <= k) >= service.
type DemandResult struct {
	Basis
	FoalsCovered int
	Probability  float64 // P(X <= FoalsCovered)
	Expected     float64
}

const srcDemand = "binomial demand: smallest k with P(X <= k) >= service"

var demandClusters = caution.Define("demand_comes_in_clusters", caution.Note,
	"Foals of one farm and one month are alike: demand comes in clusters, so this is the least to hold.")

// Demand sizes a stock for a known number of foals.
func Demand(in DemandInput) (DemandResult, error) {
	var r DemandResult
	c := &inputs{basis: &r.Basis}
	n := c.count("foals", in.Foals, 1, maxTrials)
	rate, service := c.share("failure_rate", in.FailureRate), c.share("service", in.Service)
	if c.err != nil {
		return DemandResult{}, c.err
	}
	x := distuv.Binomial{N: float64(n), P: rate}
	r.FoalsCovered = smallest(n, service, x.CDF)
	r.Probability, r.Expected = x.CDF(float64(r.FoalsCovered)), x.Mean()
	r.step("%d foals at %s: %s expected; P(X <= %d) = %s >= %s", n, rate, r.Expected, r.FoalsCovered, r.Probability, service)
	r.source(srcDemand)
	r.caution(demandClusters.With())
	r.Versions = []string{Version}
	return r, nil
}

// smallest is the least k in 0..n whose distribution function reaches service.
func smallest(n int, service float64, cdf func(float64) float64) int {
	return sort.Search(n, func(k int) bool { return cdf(float64(k)) >= service })
}

// SteadyDemandInput asks for a stock when only the mean need of a period is known.
type SteadyDemandInput struct {
	Mean    float64
	Service float64 // for a price of short and of spare: short / (short + spare)
}

// SteadyDemandResult is the smallest Poisson stock that reaches the service, what
// will be short on average, and the share of need that is filled.
type SteadyDemandResult struct {
	Basis
	Stock         int
	Probability   float64
	ExpectedShort float64
	Filled        float64
}

const srcSteady = "Poisson demand: smallest stock with P(X <= stock) >= service (newsvendor rule)"

var boundsMean = bounds{field: "mean", unit: "in the period", hardLow: 0.001, hardHigh: maxMean, hint: "the mean need of one period"}

// SteadyDemand sizes a stock for a steady need.
func SteadyDemand(in SteadyDemandInput) (SteadyDemandResult, error) {
	var r SteadyDemandResult
	c := &inputs{basis: &r.Basis}
	mean, service := c.one(boundsMean, in.Mean), c.share("service", in.Service)
	if c.err != nil {
		return SteadyDemandResult{}, c.err
	}
	x := distuv.Poisson{Lambda: mean}
	r.Stock = smallest(int(mean+40*math.Sqrt(mean))+60, service, x.CDF)
	s := float64(r.Stock)
	r.Probability = x.CDF(s)
	// E[(X - s)+] = mean P(X >= s) - s P(X > s), P(X >= s) = P(X > s) + P(X = s).
	r.ExpectedShort = math.Max(0, (mean-s)*x.Survival(s)+mean*x.Prob(s))
	r.Filled = math.Max(0, 1-r.ExpectedShort/mean)
	r.step("mean %s: P(X <= %d) = %s >= %s; short %s on average, %s of the need filled", mean, r.Stock, r.Probability, service, r.ExpectedShort, r.Filled)
	r.source(srcSteady)
	r.caution(demandClusters.With())
	r.Versions = []string{Version}
	return r, nil
}
