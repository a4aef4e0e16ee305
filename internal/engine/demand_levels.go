package engine

import (
	"fmt"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// LevelsInput asks how many bags to hold when what is ordered today comes after
// some weeks and what is never used is written off at its expiry.
type LevelsInput struct {
	UpTo       []SpanDemand // as DemandWeeks has them: UpTo[i] ends with week i
	LeadWeeks  int          // from ordering until the bags are in the freezer
	ShelfWeeks int          // in which a bag that is bought now can be used
	Has        int          // bags that can be used, ordered ones too
	// What it costs, in the smallest unit of money: a bag that is wanted and not
	// there, and a bag that is written off.
	ShortMinor, WriteOffMinor int64
}

// StockLevel is what is to be expected when so many bags are held.
type StockLevel struct {
	Bags       int
	Short      float64 // bags wanted and not there until an order comes
	WrittenOff float64
	CostMinor  float64 // of both, on average
}

// LevelsResult has every level up to the one beyond which nothing is short any
// more. Hold is the level of least cost, the smaller of two alike.
type LevelsResult struct {
	Basis
	Levels       []StockLevel
	Hold         int
	Ratio        float64 // short / (short + written off): the service that the prices ask for
	Order        int     // bags to order now
	OrderInWeeks int     // first week in which an order is due; Weeks of the demand when none is
}

const srcLevels = "least expected cost of bags short until an order comes and of bags written off at their expiry; where both spans are one it is the newsvendor rule: the smallest stock that covers the need with a chance of Cu / (Cu + Co) (Hill, The Newsvendor Problem, 2011)"

var costsAreChoices = caution.Define("prices_of_shortage_are_a_choice", caution.Note,
	"What a night without a bag costs is for the practice to say: twice that price can move the level by some bags. Nothing is ordered by itself.")

const maxMinor = 1_000_000_000

// Levels weighs a shortage against a write-off.
func Levels(in LevelsInput) (LevelsResult, error) {
	var r LevelsResult
	c := &inputs{basis: &r.Basis}
	c.count("weeks", len(in.UpTo), 1, maxWeeks)
	c.count("lead_weeks", in.LeadWeeks, 1, max(1, len(in.UpTo)))
	c.count("shelf_weeks", in.ShelfWeeks, in.LeadWeeks, max(in.LeadWeeks, len(in.UpTo)))
	c.count("has", in.Has, 0, maxDemand)
	for _, cost := range []struct {
		field string
		minor int64
	}{{"short_minor", in.ShortMinor}, {"write_off_minor", in.WriteOffMinor}} {
		if cost.minor < 1 || cost.minor > maxMinor {
			c.refuse(refusal.New(cost.field, cost.minor, fmt.Sprintf("1 to %d, in the smallest unit of money", maxMinor)))
		}
	}
	if c.err != nil {
		return LevelsResult{}, c.err
	}
	r.Ratio = float64(in.ShortMinor) / float64(in.ShortMinor+in.WriteOffMinor)
	lead, shelf := in.UpTo[in.LeadWeeks-1], in.UpTo[in.ShelfWeeks-1]
	for bags := range max(len(lead.Chance), in.Has+1) {
		l := StockLevel{Bags: bags, Short: lead.Short(bags), WrittenOff: shelf.Spare(bags)}
		l.CostMinor = l.Short*float64(in.ShortMinor) + l.WrittenOff*float64(in.WriteOffMinor)
		if r.Levels = append(r.Levels, l); l.CostMinor < r.Levels[r.Hold].CostMinor-1e-9 {
			r.Hold = bags
		}
	}
	r.Order, r.OrderInWeeks = max(0, r.Hold-in.Has), in.orderInWeeks(r.Ratio)
	held := r.Levels[r.Hold]
	r.step("a bag short costs %s, one written off %s: cover %s of the need", float64(in.ShortMinor), float64(in.WriteOffMinor), r.Ratio)
	r.step("hold %d: %s short in %d weeks, %s written off in %d weeks", r.Hold, held.Short, in.LeadWeeks, held.WrittenOff, in.ShelfWeeks)
	r.source(srcLevels)
	r.caution(costsAreChoices.With())
	r.Versions = []string{Version}
	return r, nil
}

// orderInWeeks is the first week in which waiting for another would leave less than
// the service until the bags come; the number of weeks known where none is.
func (in LevelsInput) orderInWeeks(service float64) int {
	for week := range len(in.UpTo) - in.LeadWeeks {
		if in.UpTo[week+in.LeadWeeks].AtLeast(service) > in.Has {
			return week
		}
	}
	return len(in.UpTo)
}

// WriteOffs is how many bags will expire before they can be used: expiring[w] bags
// can be used last in week w, and the first to expire is used first. It takes the
// weeks as independent of each other. The answer has the mean of every week.
func WriteOffs(weeks []SpanDemand, expiring []int) ([]float64, error) {
	var c inputs
	c.count("weeks", len(expiring), 0, len(weeks))
	all := 0
	for _, n := range expiring {
		all += c.count("expiring", n, 0, maxDemand)
	}
	c.count("expiring", all, 0, maxDemand)
	if c.err != nil {
		return nil, c.err
	}
	// gone[n] is the chance that n bags, counted from the first to expire, were used
	// or written off.
	gone, due, out := []float64{1}, 0, make([]float64, len(expiring))
	for w, n := range expiring {
		gone = convolve(gone, weeks[w].Chance, all)
		due += n
		left := SpanDemand{Chance: gone}
		out[w] = left.Spare(due)
		gone = atLeast(gone, due)
	}
	return out, nil
}

// atLeast lifts what lies under a number to it.
func atLeast(chances []float64, least int) []float64 {
	out := make([]float64, max(len(chances), least+1))
	for n, p := range chances {
		out[max(n, least)] += p
	}
	return out
}
