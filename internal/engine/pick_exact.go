package engine

import (
	"cmp"
	"math/bits"
	"slices"
)

// How Pick stays exact without trying all sets.
//
// A set is allowed when its waste is below its smallest bag. So for each bag
// volume m, the allowed sets whose bags all hold m or more are those with a
// total from need to need+m-1. For one m, which volume can be taken from a group
// and still be completed is a subset-sum question, answered for all sums at once
// by shifting a long integer: bit s is set when some subset holds s. Going
// through the groups in order and always taking the most fixes the volume of each
// group (a split); the last group takes the least that covers the rest. The best
// split over all m wins. What is left is to find, within each group, the best
// subset of exactly that sum: a table by sum, where costs only add up.
//
// The second set is found in the same pass. Sets of the same split come first, and
// among them the one that differs in the last group that has a second subset of
// its sum. Where no group has one, the second best split gives it: of one m, the
// split that leaves the best one at the last group that has another choice.
//
// Volumes are counted in their greatest common divisor: bags of 250, 500 and
// 950 mL make tables of 50 mL, not of 1 mL. The need is rounded up to it, which
// changes no comparison, as every total is a multiple of it.

// chooser holds the candidates in groups and the tables for one volume m.
type chooser struct {
	groups [][]candidate
	need   int // in units
	own    []sums
	after  []sums // sums of all later groups together
}

// newChooser groups the candidates, which are in the order of use, and writes
// their units and batches into them.
func newChooser(bags []candidate, needMl int) *chooser {
	unit := 0
	for _, b := range bags {
		unit = gcd(unit, b.VolumeMl)
	}
	unit = max(unit, 1)
	c := &chooser{need: (needMl + unit - 1) / unit}
	numberBatches(bags)
	for i := range bags {
		bags[i].units = bags[i].VolumeMl / unit
		if i == 0 || compareGroup(bags[i-1], bags[i]) != 0 {
			c.groups = append(c.groups, bags[i:i])
		}
		last := len(c.groups) - 1
		c.groups[last] = c.groups[last][:len(c.groups[last])+1]
	}
	return c
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// choose is the first allowed set in Pick's order and the second; nil when the
// bags are short, or when there is no second.
func (c *chooser) choose() (best, second []candidate) {
	first, next := c.splits()
	if first == nil {
		return nil, nil
	}
	best, second = c.sets(first)
	if second == nil && next != nil {
		second, _ = c.sets(next)
	}
	return best, second
}

// sets are the best and the second best set of a split.
func (c *chooser) sets(split []int) (best, second []candidate) {
	waste := -c.need
	for _, v := range split {
		waste += v
	}
	used := make([]bool, PickCandidates)
	chosen, others := make([]bagSet, len(split)), make([]bagSet, len(split))
	last := -1
	for i, v := range split {
		if v == 0 {
			continue
		}
		found := exactly(c.groups[i], v, waste, used)
		chosen[i] = found[0].set
		if found[1].known() {
			others[i], last = found[1].set, i
		}
		for k, b := range c.groups[i] {
			if chosen[i].has(k) {
				used[b.batch] = true
			}
		}
	}
	best = c.collect(chosen)
	if last >= 0 {
		chosen[last] = others[last]
		second = c.collect(chosen)
	}
	return best, second
}

// collect lists the bags of one set for each group.
func (c *chooser) collect(chosen []bagSet) []candidate {
	out := make([]candidate, 0, PickCandidates)
	for i, g := range c.groups {
		for k, b := range g {
			if chosen[i].has(k) {
				out = append(out, b)
			}
		}
	}
	return out
}

// splits are the first and the second of all splits; nil where there is none.
func (c *chooser) splits() (first, second []int) {
	sizes := c.sizes()
	if len(sizes) == 0 {
		return nil, nil
	}
	words := (c.need+sizes[0])/64 + 1
	c.own, c.after = newSums(len(c.groups), words), newSums(len(c.groups)+1, words)
	one, other := make([]int, len(c.groups)), make([]int, len(c.groups))
	for _, m := range sizes {
		c.admit(m)
		limit := c.need + m - 1
		if !c.after[0].within(c.need, limit) {
			continue
		}
		c.complete(one, 0, limit)
		first, second = c.keep(first, second, one)
		if c.another(one, other, limit) {
			first, second = c.keep(first, second, other)
		}
	}
	return first, second
}

// sizes are the different bag volumes in units, the largest first.
func (c *chooser) sizes() []int {
	var out []int
	for _, g := range c.groups {
		for _, b := range g {
			out = append(out, b.units)
		}
	}
	slices.Sort(out)
	out = slices.Compact(out)
	slices.Reverse(out)
	return out
}

// admit lets the bags of one more size into the sums.
func (c *chooser) admit(size int) {
	for i, g := range c.groups {
		for _, b := range g {
			if b.units != size {
				continue
			}
			c.own[i].add(size)
			for j := range i + 1 {
				c.after[j].add(size)
			}
		}
	}
}

// complete fills a split from group i on with the best that can be completed.
func (c *chooser) complete(split []int, i, limit int) {
	taken := 0
	for _, v := range split[:i] {
		taken += v
	}
	clear(split[i:])
	for ; i < len(split) && taken < c.need; i++ {
		split[i], _ = c.own[i].choice(c.after[i+1], c.need-taken, limit-taken, -1)
		taken += split[i]
	}
}

// another is the split after the best one: it leaves that one at the last group
// that has a further choice.
func (c *chooser) another(best, out []int, limit int) bool {
	taken := 0
	for _, v := range best {
		taken += v
	}
	for i := len(best) - 1; i >= 0; i-- {
		if taken -= best[i]; taken >= c.need {
			continue
		}
		if v, ok := c.own[i].choice(c.after[i+1], c.need-taken, limit-taken, best[i]); ok {
			copy(out, best)
			out[i] = v
			c.complete(out, i+1, limit)
			return true
		}
	}
	return false
}

// keep puts a split among the first two, which differ.
func (c *chooser) keep(first, second, split []int) (_, _ []int) {
	switch {
	case first == nil:
		return slices.Clone(split), nil
	case c.compare(split, first) < 0:
		if second == nil {
			second = make([]int, len(split))
		}
		copy(second, split)
		return second, first
	case c.compare(split, first) == 0:
	case second == nil:
		return first, slices.Clone(split)
	case c.compare(split, second) < 0:
		copy(second, split)
	}
	return first, second
}

// compare orders splits by what each group gives towards the need, then by total.
func (c *chooser) compare(a, b []int) int {
	order, totalA, totalB := 0, 0, 0
	for i := range a {
		towardsA := min(a[i], max(c.need-totalA, 0))
		towardsB := min(b[i], max(c.need-totalB, 0))
		if order == 0 {
			order = towardsB - towardsA
		}
		totalA, totalB = totalA+a[i], totalB+b[i]
	}
	return cmp.Or(order, totalA-totalB)
}

// sums are the totals that subsets can have: bit s for s units. What lies past
// its length does not matter.
type sums []uint64

// newSums makes n of them, with nought as the only total.
func newSums(n, words int) []sums {
	all, out := make([]uint64, n*words), make([]sums, n)
	for i := range out {
		out[i] = all[i*words : (i+1)*words]
		out[i][0] = 1
	}
	return out
}

// add allows one more bag.
func (s sums) add(v int) {
	whole, part := v/64, uint(v%64)
	for i := len(s) - 1; i >= whole; i-- {
		shifted := s[i-whole] << part
		if part > 0 && i > whole {
			shifted |= s[i-whole-1] >> (64 - part)
		}
		s[i] |= shifted
	}
}

// next is the least total in low..high; false when there is none.
func (s sums) next(low, high int) (int, bool) {
	low, high = max(low, 0), min(high, len(s)*64-1)
	if low > high {
		return 0, false
	}
	i := low / 64
	word := s[i] &^ (1<<(low%64) - 1)
	for word == 0 {
		if i++; i > high/64 {
			return 0, false
		}
		word = s[i]
	}
	v := i*64 + bits.TrailingZeros64(word)
	return v, v <= high
}

// within says whether some total lies in low..high.
func (s sums) within(low, high int) bool {
	_, ok := s.next(low, high)
	return ok
}

// choice is what to take from a group when low..high is still to come: the least
// that covers low alone, then more, up to high; then the most below low that the
// later groups can complete, and so on down. It is the first of these behind
// after, or the very first when after is -1.
func (s sums) choice(later sums, low, high, after int) (int, bool) {
	start := low - 1
	if after < 0 || after >= low {
		if v, ok := s.next(max(low, after+1), high); ok {
			return v, true
		}
	} else {
		start = after - 1
	}
	start = min(start, len(s)*64-1)
	for i := start / 64; start >= 0 && i >= 0; i-- {
		word := s[i]
		if i == start/64 {
			word &= ^uint64(0) >> (63 - start%64)
		}
		for ; word != 0; word &^= 1 << (bits.Len64(word) - 1) {
			v := i*64 + bits.Len64(word) - 1
			if later.within(low-v, high-v) {
				return v, true
			}
		}
	}
	return 0, false
}
