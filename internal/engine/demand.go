package engine

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
)

const maxMean = 100_000

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
