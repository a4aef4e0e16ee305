package engine

import (
	"math"
	"strings"

	"thawtrail/internal/label"
)

// bagSet is a set of bags by their place in a group, the first in the highest
// bit: of two sets of one group, the one with the first bag that the other lacks
// is the greater number.
type bagSet uint64

func (s bagSet) with(i int) bagSet { return s | 1<<(63-i) }

func (s bagSet) has(i int) bool { return s>>(63-i)&1 == 1 }

// pickCost ranks subsets of one group that hold the same volume. The rank has
// batches, bags and distances, each in bits of its own; all add up when a bag is
// added, so the best of the part is part of the best.
type pickCost struct {
	rank uint64
	set  bagSet
}

const (
	rankBag      = 1 << 32 // over the sum of all distances
	rankNewBatch = 1 << 40 // over the number of bags
	rankUnknown  = math.MaxUint64
)

func (c pickCost) known() bool { return c.rank != rankUnknown }

func (c pickCost) before(d pickCost) bool {
	return c.rank < d.rank || c.rank == d.rank && c.set > d.set
}

// pickTwo are the best two subsets of one sum.
type pickTwo [2]pickCost

var noPicks = pickTwo{{rank: rankUnknown}, {rank: rankUnknown}}

// take keeps the best two of its own and of others with one more bag.
func (p *pickTwo) take(others *pickTwo, rank uint64, bag bagSet) {
	for _, o := range others {
		if !o.known() {
			return
		}
		o.rank += rank
		o.set |= bag
		switch {
		case o.before(p[0]):
			p[1], p[0] = p[0], o
		case o.before(p[1]):
			p[1] = o
		default:
			return // what follows is worse
		}
	}
}

// numberBatches gives bags of one batch one number; bags without a batch share
// none.
func numberBatches(bags []candidate) {
	type printed struct{ product, batch string }
	seen, numbers := map[printed]int{}, map[string]int{}
	for i, b := range bags {
		as := printed{b.Product, b.Batch}
		if n, ok := seen[as]; ok {
			bags[i].batch = n
			continue
		}
		key := strings.ToLower(b.Product) + "\x00" + label.CanonicalBatch(b.Batch)
		if b.Batch == "" {
			key = "\x00" + b.ID
		}
		n, ok := numbers[key]
		if !ok {
			n = len(numbers)
			numbers[key] = n
		}
		bags[i].batch = n
		if b.Batch != "" {
			seen[as] = n
		}
	}
}

// exactly is the best and the second best subset of a group that hold exactly v
// and whose bags all hold more than waste. Batches in used are free.
func exactly(g []candidate, v, waste int, used []bool) pickTwo {
	t := pickTable{g: g, target: v, waste: waste}
	for _, b := range g {
		if b.units > waste {
			t.left += b.units
		}
	}
	t.without, t.open = make([]pickTwo, v+1), make([]pickTwo, v+1)
	for i := range t.without {
		t.without[i], t.open[i] = noPicks, noPicks
	}
	t.without[0][0] = pickCost{}
	done := make([]bool, PickCandidates)
	for i, b := range g {
		if !done[b.batch] {
			done[b.batch] = true
			t.batch(i, used[b.batch])
		}
	}
	return t.without[v]
}

// pickTable is the table by sum. A batch is opened once: subsets with a bag of
// the batch at hand are kept apart until it is done.
type pickTable struct {
	g             []candidate
	target, waste int
	without, open []pickTwo
	reached, left int // the highest sum so far; what the bags to come hold
}

// batch adds the bags of the batch of bag i, all of which stand at i or later.
func (t *pickTable) batch(i int, used bool) {
	opening := uint64(rankNewBatch)
	if used {
		opening = 0
	}
	number := t.g[i].batch
	for ; i < len(t.g); i++ {
		b := t.g[i]
		if b.batch != number || b.units <= t.waste {
			continue
		}
		t.reached, t.left = min(t.reached+b.units, t.target), t.left-b.units
		rank, bag := rankBag+uint64(b.distance), bagSet(0).with(i)
		// What lies below can no longer be completed.
		for s := t.reached; s >= max(b.units, t.target-t.left); s-- {
			t.open[s].take(&t.open[s-b.units], rank, bag)
			t.open[s].take(&t.without[s-b.units], rank+opening, bag)
		}
	}
	for s := range t.reached + 1 {
		t.without[s].take(&t.open[s], 0, 0)
		t.open[s] = noPicks
	}
}
