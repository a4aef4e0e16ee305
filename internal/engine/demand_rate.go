package engine

import (
	"fmt"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// FailureCut is the IgG under which a practice calls a foal one that needs plasma.
type FailureCut int

// The two cuts for which populations were published.
const (
	FailureUnder4 FailureCut = 4 // g/L: failure of transfer
	FailureUnder8 FailureCut = 8 // g/L: failure or partial failure
)

// publishedFailure is the share of foals under the cut, one row a population.
var publishedFailure = map[FailureCut][]float64{
	FailureUnder4: {0.022, 0.16, 0.136, 0.18, 0.004, 0.063, 0.028},
	FailureUnder8: {0.204, 0.33, 0.096, 0.447, 0.058, 0.174},
}

const srcFailure = "share of foals under the cut, one population each: Gallacher et al., Equine Vet J 2025, doi 10.1111/evj.14471; Tyler-McGowan 1997; Raidal, Aust Vet J 1996;73:201-206 (8 g/L alone); Baldwin, Standardbreds; Clabough et al., J Vet Intern Med 1991 (4 g/L alone); Nath et al., JAVMA 2010;236:1085; Rev Med Vet 2005;156:163-165; Kohn 1989 (4 g/L alone)"

// FailureRateInput is what a practice's own tests of newborn foals said.
type FailureRateInput struct {
	Cut    FailureCut
	Tested int
	Under  int // of these under the cut
}

// FailureRateResult is the share of foals that will need plasma as a Beta
// distribution: what populations in print show, updated by the practice's tests.
type FailureRateResult struct {
	Basis
	Alpha, Beta float64 // of what is now believed
	PriorWeight float64 // tests of its own that weigh as much as the print
	Rate        Range   // mean, with the 95 % interval
}

var farFromPrint = caution.Define("own_rate_far_from_print", caution.Note,
	"The practice's own share, %s, lies outside the published populations (%s to %s). Were only suspect foals tested? Then the share of all foals is lower.")

// FailureRate updates the published spread by a practice's own tests.
func FailureRate(in FailureRateInput) (FailureRateResult, error) {
	var r FailureRateResult
	c := &inputs{basis: &r.Basis}
	rows, known := publishedFailure[in.Cut]
	if !known {
		c.refuse(refusal.New("cut", int(in.Cut), "4 or 8 g/L"))
	}
	tested := c.count("tested", in.Tested, 0, maxTrials)
	under := c.count("under", in.Under, 0, max(0, min(tested, maxTrials)))
	if c.err != nil {
		return FailureRateResult{}, c.err
	}
	// Matched moments: each population is one draw, whatever its size, since what
	// differs between practices is what a new practice does not know of itself.
	mean, variance := stat.MeanVariance(rows, nil)
	r.PriorWeight = mean*(1-mean)/variance - 1
	r.Alpha, r.Beta = mean*r.PriorWeight+float64(under), (1-mean)*r.PriorWeight+float64(tested-under)
	b := distuv.Beta{Alpha: r.Alpha, Beta: r.Beta}
	r.Rate = Range{b.Quantile(0.025), b.Mean(), b.Quantile(0.975)}
	r.step("published populations under %d g/L: mean %s, as much as %s tests of one's own", int(in.Cut), mean, r.PriorWeight)
	r.step("own tests: %d of %d; together %s", under, tested, r.Rate)
	r.source(srcFailure)
	r.cautionFarFromPrint(rows, under, tested)
	r.Versions = []string{Version}
	return r, nil
}

// cautionFarFromPrint asks who was tested where 20 or more own tests fit none of
// the populations in print.
func (r *FailureRateResult) cautionFarFromPrint(rows []float64, under, tested int) {
	if tested < 20 {
		return
	}
	low, high := rows[0], rows[0]
	for _, v := range rows {
		low, high = min(low, v), max(high, v)
	}
	if own := float64(under) / float64(tested); own < low || own > high {
		r.caution(farFromPrint.With(fmt.Sprintf("%d of %d", under, tested), num(low), num(high)))
	}
}
