package engine

import (
	"thawtrail/internal/refusal"
)

// SplitInput shares what there is today over vehicles. A night takes so many bags
// and one kit (the filtered set and what belongs to it).
type SplitInput struct {
	// Places has one entry a vehicle: Chance[n] is the chance that n foals want plasma
	// from it before it is filled again.
	Places       []SpanDemand
	Bags, Kits   int
	BagsPerNight int
}

// SplitShare is what one vehicle should carry.
type SplitShare struct {
	Bags, Kits    int
	NightsWithout float64 // mean number of nights without a bag or a kit
}

// SplitResult has one share a place, in the order asked.
type SplitResult struct {
	Basis
	Shares        []SplitShare
	NightsWithout float64
}

const (
	maxPlaces = 200

	srcSplit = "marginal allocation: each next night's bags and kit go where they are likeliest to be needed, which is optimal since the gain falls with every one"
)

// Split shares bags and kits so that the mean number of nights without them is the
// least possible. Of places alike the first comes first. What makes no whole night
// any more goes where a night's other half lies.
func Split(in SplitInput) (SplitResult, error) {
	var r SplitResult
	c := &inputs{basis: &r.Basis}
	c.count("places", len(in.Places), 1, maxPlaces)
	c.count("bags", in.Bags, 0, maxDemand)
	c.count("kits", in.Kits, 0, maxDemand)
	c.count("bags_per_night", in.BagsPerNight, 1, maxBagsPerFoal)
	for _, p := range in.Places {
		if len(p.Chance) == 0 {
			c.refuse(refusal.New("nights", 0, "the chance of each number of nights"))
		}
	}
	if c.err != nil {
		return SplitResult{}, c.err
	}
	whole := min(in.Bags/in.BagsPerNight, in.Kits)
	nights := marginal(in.Places, make([]int, len(in.Places)), whole)
	bags := marginal(in.Places, nights, in.Bags/in.BagsPerNight-whole)
	kits := marginal(in.Places, nights, in.Kits-whole)
	r.Shares = make([]SplitShare, len(in.Places))
	for i, p := range in.Places {
		s := SplitShare{Bags: bags[i] * in.BagsPerNight, Kits: kits[i], NightsWithout: p.Short(nights[i])}
		r.NightsWithout += s.NightsWithout
		r.Shares[i] = s
	}
	if odd := in.Bags % in.BagsPerNight; odd > 0 {
		r.Shares[likeliest(in.Places, bags)].Bags += odd
	}
	r.step("%d bags and %d kits make %d nights over %d vehicles; %s nights without are expected", in.Bags, in.Kits, whole, len(in.Places), r.NightsWithout)
	r.source(srcSplit)
	r.caution(demandClusters.With())
	r.Versions = []string{Version}
	return r, nil
}

// marginal hands out one after the other, on top of what each place has.
func marginal(places []SpanDemand, has []int, units int) []int {
	out := append([]int(nil), has...)
	for range units {
		out[likeliest(places, out)]++
	}
	return out
}

// likeliest is the place where one more is likeliest to be wanted.
func likeliest(places []SpanDemand, has []int) int {
	best, most := 0, -1.0
	for i, p := range places {
		if wanted := p.beyond(has[i]); wanted > most+1e-12 {
			best, most = i, wanted
		}
	}
	return best
}

// beyond is the chance that more than a stock is wanted.
func (d SpanDemand) beyond(stock int) float64 {
	p := 0.0
	for n := stock + 1; n < len(d.Chance); n++ {
		p += d.Chance[n]
	}
	return p
}
