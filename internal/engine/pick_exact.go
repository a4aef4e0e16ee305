package engine

import (
	"cmp"
	"math/big"
	"slices"
)

// How Pick stays exact without trying all sets.
//
// A set is allowed when its waste is below its smallest bag. So for each bag
// volume m, the allowed sets whose bags all hold m or more are those with a
// total from need to need+m-1. For one m, which mL can be taken from a group and
// still be completed is a subset-sum question, answered for all sums at once by
// shifting a long integer: bit s is set when some subset holds s mL. Going
// through the groups in order and always taking the most fixes the mL of each
// group; the last group takes the least that covers the rest. The best m wins.
// What is left is to find, within each group, the best subset of exactly that
// sum: a table by sum, where costs only add up.

// group is a run of bags with the same state and use-by.
type group []PickBag

// groupsOf cuts eligible bags, already in order, into groups.
func groupsOf(bags []PickBag) []group {
	var out []group
	for i := 0; i < len(bags); {
		j := i + 1
		for j < len(bags) && compareGroup(bags[i], bags[j]) == 0 {
			j++
		}
		out = append(out, group(bags[i:j]))
		i = j
	}
	return out
}

// bestSet is the first allowed set in Pick's order; false when bags are short.
func bestSet(bags []PickBag, need int) ([]PickBag, bool) {
	if volumeOf(bags) < need {
		return nil, false
	}
	groups := groupsOf(bags)
	var best []int
	for _, least := range volumesOf(bags) {
		if split := bestSplit(groups, need, least); split != nil && (best == nil || compareSplits(split, best, need) < 0) {
			best = split
		}
	}
	waste := -need
	for _, ml := range best {
		waste += ml
	}
	var out []PickBag
	used := map[string]bool{}
	for i, ml := range best {
		if ml > 0 {
			out = append(out, groups[i].exactly(ml, waste, used)...)
		}
	}
	return out, true
}

// runnerUp is the next set in the order. It lacks at least one bag of best, for
// a set with all of them and more could leave the others out.
func runnerUp(bags, best []PickBag, need int) []PickBag {
	var next []PickBag
	for _, without := range best {
		rest := slices.DeleteFunc(slices.Clone(bags), func(b PickBag) bool { return b.ID == without.ID })
		set, found := bestSet(rest, need)
		if found && (next == nil || comparePicks(groupsOf(bags), set, next, need) < 0) {
			next = set
		}
	}
	return next
}

// volumesOf lists the different bag volumes.
func volumesOf(bags []PickBag) []int {
	out := make([]int, len(bags))
	for i, b := range bags {
		out[i] = b.VolumeMl
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// sums are the totals that subsets can have: bit s for s mL.
type sums struct{ big.Int }

// add allows one more bag; the mask cuts off totals that do not matter.
func (s *sums) add(ml int, mask, scratch *big.Int) {
	s.Or(&s.Int, scratch.Lsh(&s.Int, uint(ml)))
	s.And(&s.Int, mask)
}

// within says whether some total lies in low..high.
func (s *sums) within(low, high int) bool {
	low = max(low, 0)
	for v := low; v <= high && v < s.BitLen(); v++ {
		if s.Bit(v) == 1 {
			return true
		}
	}
	return false
}

// bestSplit is the mL of each group in the best set whose bags all hold least or
// more and whose total is need to need+least-1; nil when there is none.
func bestSplit(groups []group, need, least int) []int {
	limit := need + least - 1
	var scratch big.Int
	mask := new(big.Int).Lsh(big.NewInt(1), uint(limit+1))
	mask.Sub(mask, big.NewInt(1))
	own := make([]sums, len(groups))
	after := make([]sums, len(groups)+1) // totals of all later groups together
	after[len(groups)].SetBit(&after[len(groups)].Int, 0, 1)
	for i := len(groups) - 1; i >= 0; i-- {
		own[i].SetBit(&own[i].Int, 0, 1)
		after[i].Set(&after[i+1].Int)
		for _, b := range groups[i] {
			if b.VolumeMl >= least {
				own[i].add(b.VolumeMl, mask, &scratch)
				after[i].add(b.VolumeMl, mask, &scratch)
			}
		}
	}
	if !after[0].within(need, limit) {
		return nil
	}
	out := make([]int, len(groups))
	taken := 0
	for i := range groups {
		out[i] = own[i].most(&after[i+1], need-taken, limit-taken)
		if taken += out[i]; taken >= need {
			break
		}
	}
	return out
}

// most is the total to take from a group that leaves low..high reachable with
// the later groups: the least that covers low alone, else the most below it.
func (s *sums) most(later *sums, low, high int) int {
	for v := low; v <= high; v++ {
		if s.Bit(v) == 1 {
			return v
		}
	}
	for v := min(low-1, s.BitLen()-1); v > 0; v-- {
		if s.Bit(v) == 1 && later.within(low-v, high-v) {
			return v
		}
	}
	return 0
}

// compareSplits compares by mL towards the need, group by group, then by total.
func compareSplits(a, b []int, need int) int {
	order, totalA, totalB := 0, 0, 0
	for i := range a {
		towardsA := min(a[i], max(need-totalA, 0))
		towardsB := min(b[i], max(need-totalB, 0))
		if order == 0 {
			order = towardsB - towardsA
		}
		totalA, totalB = totalA+a[i], totalB+b[i]
	}
	return cmp.Or(order, totalA-totalB)
}
