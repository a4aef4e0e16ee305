package engine

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// CUSUMInput follows one kind of event over time: reactions, look after look.
type CUSUMInput struct {
	Counts    []int    // events at each look, oldest first
	Usual     float64  // mean of one look when nothing is amiss
	Raised    float64  // mean that should be noticed soon
	Reference *float64 // what is taken off at each look; nil: Lucas's rule, on the lattice
	Decision  *float64 // a signal stands at this sum; nil: the least with FalseEvery
	// FalseEvery is how many looks may pass, on average, between two false signals;
	// nil: 500. It is read only where Decision is nil.
	FalseEvery *float64
}

// CUSUMResult is the running sum: at each look the events less the reference are
// added, and the sum never falls under 0. It signals at S >= Decision, whereupon
// the sum begins anew. The run lengths are means, counted in looks up to and with
// the one that signals.
type CUSUMResult struct {
	Basis
	Reference, Decision             float64
	Sums                            []float64 // after each look
	Signals                         []int     // looks, from 1, that signalled
	RunLengthUsual, RunLengthRaised float64
}

// MaxLooks is how many looks one chart follows.
const MaxLooks = 100_000

const (
	maxCUSUMStates    = 600
	defaultFalseEvery = 500.0 // ours: once in some hundreds of transfusions

	srcCUSUM    = "Poisson CUSUM: reference (l1 - l0) / (ln l1 - ln l0), Lucas, Technometrics 1985;27:129-144 (from memory)"
	srcCUSUMARL = "mean run lengths by a Markov chain over the lattice of sums, as Hawkins, J Qual Technol 1992;24:37-43, as cited by the R package surveillance"
)

var (
	boundsUsual     = bounds{field: "usual", unit: "events a look", hardLow: 0.01, hardHigh: 50, hint: "the mean of one look"}
	boundsRaised    = bounds{field: "raised", unit: "events a look", hardLow: 0.01, hardHigh: 100, hint: "the mean of one look"}
	boundsReference = bounds{field: "reference", unit: "events a look", hardLow: 0.01, hardHigh: 100, hint: "between the usual and the raised mean"}
	boundsDecision  = bounds{field: "decision", unit: "events", hardLow: 0.05, hardHigh: 60, hint: "the sum at which a signal stands"}
	boundsFalse     = bounds{field: "false_every", unit: "looks", hardLow: 2, hardHigh: 1e6, hint: "looks between two false signals"}

	signalIsALook = caution.Define("signal_asks_for_a_look", caution.Note,
		"A signal asks people to look: it comes by chance too, on average once in %s looks when nothing is amiss. It proves nothing of a batch.")
)

// CUSUM follows counts over time.
func CUSUM(in CUSUMInput) (CUSUMResult, error) {
	var r CUSUMResult
	c := &inputs{basis: &r.Basis}
	chart, err := newChart(c, in)
	if err != nil {
		return CUSUMResult{}, err
	}
	r.Reference, r.Decision = chart.events(chart.reference), chart.events(chart.decision)
	r.RunLengthUsual, r.RunLengthRaised = chart.runLength(in.Usual), chart.runLength(in.Raised)
	sum := 0
	for i, n := range in.Counts {
		if sum = chart.after(sum, n); sum >= chart.decision {
			r.Signals = append(r.Signals, i+1)
		}
		r.Sums = append(r.Sums, chart.events(sum))
		if sum >= chart.decision {
			sum = 0
		}
	}
	r.step("usual %s, to be noticed %s a look: take %s off at each look, signal at a sum of %s", in.Usual, in.Raised, r.Reference, r.Decision)
	r.step("mean looks until a signal: %s when nothing is amiss, %s when raised", r.RunLengthUsual, r.RunLengthRaised)
	r.step("%d looks, %d signals", len(in.Counts), len(r.Signals))
	r.source(srcCUSUM, srcCUSUMARL)
	r.caution(signalIsALook.With(num(math.Round(r.RunLengthUsual))))
	r.Versions = []string{Version}
	return r, nil
}

// chart is a CUSUM on a lattice: sums are whole numbers of 1/perEvent of an event,
// so that 'has it reached the decision' never hangs on a last bit.
type chart struct{ perEvent, reference, decision int }

func (ch chart) events(units int) float64 { return float64(units) / float64(ch.perEvent) }

// after is the sum after a look with n events.
func (ch chart) after(sum, n int) int {
	return max(0, sum+n*ch.perEvent-ch.reference)
}

func newChart(c *inputs, in CUSUMInput) (chart, error) {
	c.count("looks", len(in.Counts), 0, MaxLooks)
	for _, n := range in.Counts {
		c.count("counts", n, 0, maxTrials)
	}
	usual, raised := c.one(boundsUsual, in.Usual), c.one(boundsRaised, in.Raised)
	if c.err == nil && raised < 1.1*usual {
		c.refuse(refusal.New("raised", num(raised), "at least a tenth more than the usual "+num(usual)))
	}
	if c.err != nil {
		return chart{}, c.err
	}
	lucas := (raised - usual) / (math.Log(raised) - math.Log(usual))
	reference := c.or(boundsReference, in.Reference, lucas)
	ch := chart{perEvent: 100}
	if reference >= 1 {
		ch.perEvent = 10
	}
	ch.reference = max(1, int(math.Round(reference*float64(ch.perEvent))))
	if in.Decision == nil {
		every := c.or(boundsFalse, in.FalseEvery, defaultFalseEvery)
		if c.err == nil {
			ch.decision = ch.least(usual, every)
		}
		return ch, c.err
	}
	ch.decision = int(math.Round(c.one(boundsDecision, *in.Decision) * float64(ch.perEvent)))
	if most := maxCUSUMStates / ch.perEvent; c.err == nil && ch.decision > maxCUSUMStates {
		c.refuse(refusal.New("decision", num(*in.Decision), fmt.Sprintf("at most %d with this reference", most)))
	}
	return ch, c.err
}

// least is the smallest decision whose false signals are at least so many looks
// apart; the largest that can be reckoned where none is.
func (ch chart) least(usual, every float64) int {
	return 1 + sort.Search(maxCUSUMStates-1, func(i int) bool {
		ch.decision = i + 1
		return ch.runLength(usual) >= every
	})
}

// coarsest is the same chart on the coarsest lattice on which its sums lie: to reckon a
// run length takes the cube of the number of sums.
func (ch chart) coarsest() chart {
	step, rest := ch.perEvent, ch.reference
	for rest > 0 {
		step, rest = rest, step%rest
	}
	return chart{perEvent: ch.perEvent / step, reference: ch.reference / step, decision: (ch.decision + step - 1) / step}
}

// runLength solves (I - Q) L = 1, where Q holds the chances to go from one sum
// under the decision to another; it starts at sum 0.
func (ch chart) runLength(mean float64) float64 {
	ch = ch.coarsest()
	n, look := ch.decision, distuv.Poisson{Lambda: mean}
	stays, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for from := range n {
		ones.SetVec(from, 1)
		stays.Set(from, from, 1)
		for x := 0; ; x++ {
			to := ch.after(from, x)
			if to >= n {
				break
			}
			stays.Set(from, to, stays.At(from, to)-look.Prob(float64(x)))
		}
	}
	var looks mat.VecDense
	if err := looks.SolveVec(stays, ones); err != nil {
		return math.Inf(1) // too rare to be told from never
	}
	return looks.AtVec(0)
}
