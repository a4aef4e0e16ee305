package engine

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// Gestation is how long mares of a kind carry, in days.
type Gestation struct {
	MeanDays, SpreadDays float64 // mean and standard deviation
	Source               string
}

// gestations by kind; the first is any other mare.
var gestations = []struct {
	kind string
	Gestation
}{
	{"", Gestation{342.3, 10.2, "25 breeds: Heck, Clauss and Sanchez-Villagra, Mamm Biol 2017;84:44-51"}},
	{"heavy draft", Gestation{334.9, 8.3, "Aoki et al., J Equine Vet Sci (n = 209)"}},
	{"standardbred", Gestation{343.3, 10.2, "Marteniuk et al., JAVMA 1998;212:1743-1745 (n = 500); spread of 25 breeds, Mamm Biol 2017;84:44-51"}},
	{"thoroughbred", Gestation{344.1, 10.2, "Davies Morel, Newcombe and Holland, Anim Reprod Sci 2002;74:175-185 (n = 433; spread computed from the standard error)"}},
}

// GestationOf is the gestation of a kind of mare; an unknown kind is any mare.
func GestationOf(kind string) Gestation {
	for _, g := range gestations {
		if g.kind == kind {
			return g.Gestation
		}
	}
	return gestations[0].Gestation
}

// GestationKinds names the kinds that have a row of their own.
func GestationKinds() []string {
	var kinds []string
	for _, g := range gestations[1:] {
		kinds = append(kinds, g.kind)
	}
	return kinds
}

// MareDue is one mare that has not foaled: the day on which she is expected,
// counted from today, and the spread around it.
type MareDue struct {
	DueDays, SpreadDays float64
	Elsewhere           float64 // chance that her foal gets its bags from elsewhere
}

// DemandWeeksInput asks how many bags will be wanted, week by week.
type DemandWeeksInput struct {
	Mares []MareDue
	// Alpha and Beta of the share of foals that need plasma, as FailureRate has it.
	Alpha, Beta float64
	// BagsPerFoal is the chance that a treated foal takes 0, 1, 2 … bags; nil: one bag.
	BagsPerFoal []float64
	OtherAWeek  float64 // mean of bags a week for other uses
	Weeks       int
}

// SpanDemand is what one span of days asks for: Chance[n] is the chance that n bags
// are wanted. The last entry holds what little lies beyond.
type SpanDemand struct {
	FromDay, ToDay int // ToDay is not part of it
	Foals          float64
	Bags           float64 // mean
	Chance         []float64
}

// DemandWeeksResult has the demand of every week and of every span that begins
// today. Weeks share the unknown share of foals, so that a span is not the sum of
// independent weeks: each is reckoned by itself.
type DemandWeeksResult struct {
	Basis
	Weeks []SpanDemand
	UpTo  []SpanDemand // UpTo[i] is from today until the end of week i
}

const (
	maxMares       = 2000
	maxWeeks       = 60
	maxBagsPerFoal = 10
	maxDemand      = 1000 // bags in one span
	unlikelyFoal   = 1e-12
	unlikelyShare  = 1e-300

	srcDueDates = "foaling days as a normal distribution around the due day, cut at today for a mare that has not foaled"
	srcCompound = "exact convolution: foalings (Poisson-binomial), of which some need plasma (beta-binomial), of which each takes bags; other uses Poisson"
)

var (
	boundsDue       = bounds{field: "due_days", unit: "days from today", hardLow: -120, hardHigh: 400, likelyLow: -25, likelyHigh: 400, hint: "is the service date right, and has she foaled?"}
	boundsSpread    = bounds{field: "spread_days", unit: "days", hardLow: 0.5, hardHigh: 60, hint: "the standard deviation, some 10 days"}
	boundsElsewhere = bounds{field: "elsewhere", unit: "", hardLow: 0, hardHigh: 1, hint: "a share"}
	boundsBeta      = bounds{field: "alpha_and_beta", unit: "", hardLow: 0.01, hardHigh: 1e7, hint: "of the share of foals that need plasma"}
	boundsOther     = bounds{field: "other_a_week", unit: "bags a week", hardLow: 0, hardHigh: 100, hint: "the mean, fractions too"}

	fewerThanShown = caution.Define("mares_not_on_the_list", caution.Note,
		"Mares that nobody listed foal too: the demand shown is of those on the list and of the other uses.")
)

// DemandWeeks reckons the demand of the coming weeks.
func DemandWeeks(in DemandWeeksInput) (DemandWeeksResult, error) {
	var r DemandWeeksResult
	c := &inputs{basis: &r.Basis}
	in.check(c)
	if c.err != nil {
		return DemandWeeksResult{}, c.err
	}
	r.Weeks = in.weekByWeek()
	for w := range in.Weeks {
		r.UpTo = append(r.UpTo, in.span(0, 7*(w+1), in.perFoal()))
	}
	all := r.UpTo[in.Weeks-1]
	r.step("%d mares; in %d weeks %s foals and %s bags are expected", len(in.Mares), in.Weeks, all.Foals, all.Bags)
	r.step("share of foals that need plasma: Beta(%s, %s); other uses %s bags a week", in.Alpha, in.Beta, in.OtherAWeek)
	r.source(srcDueDates, srcCompound)
	r.caution(fewerThanShown.With(), demandClusters.With())
	r.Versions = []string{Version}
	return r, nil
}

// WeeksAlone is the demand of every week without that of the spans that begin today,
// which cost more: for a place whose bags are only followed to their expiry.
func WeeksAlone(in DemandWeeksInput) ([]SpanDemand, error) {
	c := &inputs{basis: &Basis{}}
	if in.check(c); c.err != nil {
		return nil, c.err
	}
	return in.weekByWeek(), nil
}

func (in DemandWeeksInput) weekByWeek() (weeks []SpanDemand) {
	for w := range in.Weeks {
		weeks = append(weeks, in.span(7*w, 7*(w+1), in.perFoal()))
	}
	return weeks
}

// DemandUntil is the demand from today until before a day, for a span that is no whole
// number of weeks: until a car is filled again.
func DemandUntil(in DemandWeeksInput, days int) (SpanDemand, error) {
	in.Weeks = 1
	c := &inputs{basis: &Basis{}}
	in.check(c)
	c.count("days", days, 1, 7*maxWeeks)
	if c.err != nil {
		return SpanDemand{}, c.err
	}
	return in.span(0, days, in.perFoal()), nil
}

// perFoal is the chance of each number of bags for a treated foal.
func (in DemandWeeksInput) perFoal() []float64 {
	if in.BagsPerFoal == nil {
		return []float64{0, 1}
	}
	return in.BagsPerFoal
}

func (in DemandWeeksInput) check(c *inputs) {
	c.count("mares", len(in.Mares), 0, maxMares)
	c.count("weeks", in.Weeks, 1, maxWeeks)
	for _, m := range in.Mares {
		c.one(boundsDue, m.DueDays)
		c.one(boundsSpread, m.SpreadDays)
		c.one(boundsElsewhere, m.Elsewhere)
	}
	c.one(boundsBeta, in.Alpha)
	c.one(boundsBeta, in.Beta)
	c.one(boundsOther, in.OtherAWeek)
	c.count("bags_per_foal", max(0, len(in.BagsPerFoal)-1), 0, maxBagsPerFoal)
	if in.BagsPerFoal == nil {
		return
	}
	sum := 0.0
	for _, p := range in.BagsPerFoal {
		if sum += p; !(p >= 0) {
			c.refuse(refusal.New("bags_per_foal", num(p), "chances of 0 or more"))
		}
	}
	if math.Abs(sum-1) > 1e-6 {
		c.refuse(refusal.New("bags_per_foal", num(sum), "chances that add up to 1"))
	}
}

// span is the demand from one day until before another.
func (in DemandWeeksInput) span(from, to int, perFoal []float64) SpanDemand {
	d := SpanDemand{FromDay: from, ToDay: to}
	foaled := []float64{1}
	for _, m := range in.Mares {
		p := m.FoalsWithin(float64(from), float64(to)) * (1 - m.Elsewhere)
		if p < unlikelyFoal {
			continue
		}
		d.Foals += p
		foaled = withOneMore(foaled, p)
	}
	d.Chance = compound(needing(foaled, in.Alpha, in.Beta), perFoal)
	if mean := in.OtherAWeek * float64(to-from) / 7; mean > 0 {
		d.Chance = convolve(d.Chance, poissonChances(mean), maxDemand)
	}
	for n, p := range d.Chance {
		d.Bags += float64(n) * p
	}
	return d
}

// FoalsWithin is the chance that a mare who has not foaled before today foals from
// one day until before another.
func (m MareDue) FoalsWithin(from, to float64) float64 {
	day := distuv.Normal{Mu: m.DueDays, Sigma: m.SpreadDays}
	left := day.Survival(0)
	if left < 1e-12 { // so far over that only 'now' is left
		if from == 0 {
			return 1
		}
		return 0
	}
	return min(1, max(0, (day.Survival(from)-day.Survival(to))/left))
}

// needing turns chances of so many foals into chances of so many that need plasma,
// where the share of foals is Beta(a, b): beta-binomial for each number of foals.
func needing(foals []float64, a, b float64) []float64 {
	out := make([]float64, len(foals))
	for n, chance := range foals {
		if chance >= 1e-15 {
			addBetaBinomial(out, chance, n, a, b)
		}
	}
	return trimmed(out)
}

// addBetaBinomial adds the chances of 0 to n in n where the share is Beta(a, b), each
// times a chance. It steps from the likeliest number to both sides by the ratio of
// neighbours, until what is left does not matter.
func addBetaBinomial(out []float64, chance float64, n int, a, b float64) {
	middle := min(n, int(float64(n)*a/(a+b)))
	ratio := func(k int) float64 { // of k + 1 to k
		x, y := float64(k), float64(n-k)
		return y / (x + 1) * (x + a) / (y - 1 + b)
	}
	start := chance * betaBinomial(n, middle, a, b)
	out[middle] += start
	for k, p := middle, start; k < n && p > unlikelyShare; k++ {
		p *= ratio(k)
		out[k+1] += p
	}
	for k, p := middle, start; k > 0 && p > unlikelyShare; k-- {
		p /= ratio(k - 1)
		out[k-1] += p
	}
}

// trimmed folds a tail that does not matter into its first entry.
func trimmed(chances []float64) []float64 {
	tail := 0.0
	for n := len(chances) - 1; n > 0; n-- {
		if tail += chances[n]; tail > 1e-14 {
			chances[n] = tail
			return chances[:n+1]
		}
	}
	return []float64{1}
}

// betaBinomial is the chance of k in n where the share is Beta(a, b).
func betaBinomial(n, k int, a, b float64) float64 {
	x, y := float64(k), float64(n-k)
	ways := -math.Log(float64(n)+1) - mathext.Lbeta(x+1, y+1)
	return math.Exp(ways + mathext.Lbeta(x+a, y+b) - mathext.Lbeta(a, b))
}

// compound adds up as many draws of each as the counts say.
func compound(counts, each []float64) []float64 {
	out, sum := make([]float64, 1, len(counts)), []float64{1}
	for n, chance := range counts {
		if n > 0 {
			sum = convolve(sum, each, maxDemand)
		}
		for len(out) < len(sum) {
			out = append(out, 0)
		}
		for i, p := range sum {
			out[i] += chance * p
		}
	}
	return out
}

// withOneMore is the distribution of a count when one more may come with a chance;
// a largest count that is as good as impossible is left out.
func withOneMore(chances []float64, p float64) []float64 {
	chances = append(chances, 0)
	for n := len(chances) - 1; n > 0; n-- {
		chances[n] = chances[n]*(1-p) + chances[n-1]*p
	}
	chances[0] *= 1 - p
	if last := len(chances) - 1; chances[last] < unlikelyFoal*unlikelyFoal {
		return chances[:last]
	}
	return chances
}

// convolve is the distribution of a sum; what lies beyond most is kept in its last
// entry, so that nothing is lost.
func convolve(a, b []float64, most int) []float64 {
	out := make([]float64, min(len(a)+len(b)-1, most+1))
	for i, p := range a {
		if p == 0 {
			continue
		}
		for j, q := range b {
			out[min(i+j, most)] += p * q
		}
	}
	return out
}

// poissonChances lists the chances until what is left does not matter; the last
// entry holds it.
func poissonChances(mean float64) []float64 {
	x := distuv.Poisson{Lambda: mean}
	var out []float64
	for n, left := 0, 1.0; ; n++ {
		p := x.Prob(float64(n))
		if left -= p; float64(n) > mean && left < 1e-12 || n == maxDemand {
			return append(out, p+max(0, left))
		}
		out = append(out, p)
	}
}

// AtLeast is the smallest number of bags that covers the demand with this chance.
func (d SpanDemand) AtLeast(service float64) int {
	sum := 0.0
	for n, p := range d.Chance {
		if sum += p; sum >= service-1e-12 {
			return n
		}
	}
	return len(d.Chance) - 1
}

// Short is the mean number of bags wanted beyond a stock.
func (d SpanDemand) Short(stock int) float64 {
	short := 0.0
	for n := stock + 1; n < len(d.Chance); n++ {
		short += float64(n-stock) * d.Chance[n]
	}
	return short
}

// Spare is the mean number of bags of a stock that are not wanted.
func (d SpanDemand) Spare(stock int) float64 {
	spare := 0.0
	for n, p := range d.Chance {
		if n >= stock {
			break
		}
		spare += float64(stock-n) * p
	}
	return spare
}
