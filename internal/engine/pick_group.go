package engine

import (
	"cmp"
	"math/bits"
	"slices"
	"strings"

	"thawtrail/internal/label"
)

// bagSet is a set of bags by their place in a group.
type bagSet [MaxPickBags / 64]uint64

func (s bagSet) with(i int) bagSet {
	s[i/64] |= 1 << (i % 64)
	return s
}

// compare orders sets of equal size by their ids, smallest first: the set with
// the first bag that the other lacks comes first.
func (s bagSet) compare(t bagSet) int {
	for i := range s {
		if differ := s[i] ^ t[i]; differ != 0 {
			if s[i]>>bits.TrailingZeros64(differ)&1 == 1 {
				return -1
			}
			return 1
		}
	}
	return 0
}

// pickCost ranks subsets of one group that hold the same mL. All parts add up
// when a bag is added, so the best of the part is part of the best.
type pickCost struct {
	batches, bags, distance int
	set                     bagSet
}

func (c pickCost) compare(d pickCost) int {
	return cmp.Or(c.batches-d.batches, c.bags-d.bags, c.distance-d.distance, c.set.compare(d.set))
}

// cell is the best known subset with a sum; a table holds cells by rising sum.
type cell struct {
	ml   int
	cost pickCost
}

// better merges two tables, keeping the better subset of each sum.
func better(a, b []cell) []cell {
	if len(a) == 0 {
		return b
	}
	out := make([]cell, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		switch {
		case a[0].ml < b[0].ml:
			out, a = append(out, a[0]), a[1:]
		case a[0].ml > b[0].ml:
			out, b = append(out, b[0]), b[1:]
		default:
			first := a[0]
			if b[0].cost.compare(first.cost) < 0 {
				first = b[0]
			}
			out, a, b = append(out, first), a[1:], b[1:]
		}
	}
	return append(append(out, a...), b...)
}

// batchKey tells batches apart; bags without a batch share none.
func (b PickBag) batchKey() string {
	if b.Batch == "" {
		return "\x00" + b.ID
	}
	return strings.ToLower(b.Product) + "\x00" + label.CanonicalBatch(b.Batch)
}

// byBatch lists the places of a group's bags, batch by batch.
func (g group) byBatch() [][]int {
	var out [][]int
	at := map[string]int{}
	for i, b := range g {
		k := b.batchKey()
		if _, known := at[k]; !known {
			at[k] = len(out)
			out = append(out, nil)
		}
		out[at[k]] = append(out[at[k]], i)
	}
	return out
}

// exactly is the best subset of exactly ml whose bags all hold more than waste.
// It exists when bestSplit says so. Batches in used are free; those picked are
// added to it.
func (g group) exactly(ml, waste int, used map[string]bool) []PickBag {
	table := []cell{{}}
	for _, batch := range g.byBatch() {
		table = better(table, g.withBatch(table, batch, ml, waste, used))
	}
	best := table[len(table)-1].cost
	var out []PickBag
	for i, b := range g {
		if best.set[i/64]>>(i%64)&1 == 1 {
			out = append(out, b)
			used[b.batchKey()] = true
		}
	}
	return out
}

// withBatch is the table of subsets with at least one bag of a batch.
func (g group) withBatch(without []cell, batch []int, limit, waste int, used map[string]bool) []cell {
	opening := 1
	if used[g[batch[0]].batchKey()] {
		opening = 0
	}
	var open []cell
	for _, i := range batch {
		if g[i].VolumeMl > waste {
			more := better(g.plus(open, i, 0, limit), g.plus(without, i, opening, limit))
			open = better(open, more)
		}
	}
	return open
}

// plus adds one bag to every subset of a table.
func (g group) plus(table []cell, i, opening, limit int) []cell {
	out := make([]cell, 0, len(table))
	for _, c := range table {
		if c.ml += g[i].VolumeMl; c.ml > limit {
			break
		}
		c.cost.batches += opening
		c.cost.bags++
		c.cost.distance += *g[i].Distance
		c.cost.set = c.cost.set.with(i)
		out = append(out, c)
	}
	return out
}

// comparePicks compares two allowed sets in Pick's whole order.
func comparePicks(groups []group, a, b []PickBag, need int) int {
	costA, splitA := costsOf(groups, a)
	costB, splitB := costsOf(groups, b)
	order := compareSplits(splitA, splitB, need)
	for i := 0; order == 0 && i < len(groups); i++ {
		order = costA[i].compare(costB[i])
	}
	return order
}

// costsOf is the cost and the mL of a set in each group.
func costsOf(groups []group, set []PickBag) ([]pickCost, []int) {
	costs, split := make([]pickCost, len(groups)), make([]int, len(groups))
	used := map[string]bool{}
	for n, g := range groups {
		for i, b := range g {
			if !slices.ContainsFunc(set, func(s PickBag) bool { return s.ID == b.ID }) {
				continue
			}
			if k := b.batchKey(); !used[k] {
				used[k] = true
				costs[n].batches++
			}
			costs[n].bags++
			costs[n].distance += *b.Distance
			costs[n].set = costs[n].set.with(i)
			split[n] += b.VolumeMl
		}
	}
	return costs, split
}
