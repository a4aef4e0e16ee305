package engine

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// PickStock is the stock file of `plan pick`: one JSON object with the bags that
// may be picked from. testdata/engine/pick.schema.json is its JSON Schema and
// pick.example.json an invented example.
type PickStock struct {
	Bags []PickBag `json:"bags"`
}

// PickBag is one bag that may be picked.
type PickBag struct {
	ID       string     `json:"id"` // unique, 1 to 64 characters
	Product  string     `json:"product,omitempty"`
	Batch    string     `json:"batch,omitempty"`
	VolumeMl int        `json:"volume_ml"`
	UseBy    time.Time  `json:"use_by"` // the earliest of its clocks, as Shelf tells it
	Place    string     `json:"place,omitempty"`
	Distance *int       `json:"distance,omitempty"` // rank of its place: 0 at hand, 1 the next …; absent: 0 at Place of the input, else 1
	State    ShelfState `json:"state"`              // the gravest, as Shelf tells it
	Reacted  bool       `json:"reacted,omitempty"`  // this patient reacted to this batch
}

// PickInput asks for bags that hold NeedMl.
type PickInput struct {
	NeedMl int
	Bags   []PickBag // at most MaxPickBags
	Place  string    // where the bags are wanted
	At     time.Time // when the first is hung
	Until  time.Time // planned end; zero: not known, At is used with a note
}

// MaxPickBags bounds the candidates. Sixty bags of a few sizes take half a
// millisecond; the worst, 128 bags that all differ and 20 L, some seconds.
const MaxPickBags = 128

// PickResult names the bags, in the order in which to use them.
type PickResult struct {
	Basis
	Bags     []string
	VolumeMl int
	WasteMl  int      // VolumeMl over NeedMl; 0 when short
	ShortMl  int      // what the eligible bags lack; then Bags is all of them
	RunnerUp []string // the next best set by the same order; empty when there is none
	Excluded []PickExcluded
}

// PickExcluded is a bag that was not eligible, and why.
type PickExcluded struct {
	ID, Because string
}

const (
	maxPickMl     = 20000
	maxPickBagMl  = 5000
	minPickBagMl  = 10
	maxPickIDLen  = 64
	maxDistance   = 1000
	srcFefo       = "earliest expiry first: WHO Good distribution practices, Annex 5"
	pickOrderText = "order: a good thawed bag first, then the earliest use-by, least waste, fewest batches, fewest bags, nearest"
)

var (
	stockShort = caution.Define("stock_short", caution.Reason,
		"The eligible bags hold %s mL of %s mL: %s mL are lacking.")
	endNotGiven = caution.Define("planned_end_not_given", caution.Note,
		"No planned end was given: each bag's use-by is only compared with the start.")
	pickReacted = caution.Define("reacted_batch_left_out", caution.Note,
		"%d bags of a batch to which this patient reacted are left out.")
)

// Pick chooses the bags to use, exactly, by this rule.
//
// Eligible is a bag that is frozen or thawed and nothing graver, whose use-by is
// after the planned end, and to whose batch the patient has not reacted. A set
// of eligible bags is allowed when it holds the need and no bag in it could be
// left out. Of the allowed sets the first in this order is taken:
//
//  1. Groups of bags are formed: thawed before frozen, and within each by
//     use-by, earliest first. Filling the need in that order, the set that takes
//     the most mL from the first group; if equal, from the second; and so on.
//     (So a good thawed bag comes first, then the earliest expiry.)
//  2. The least waste: volume over the need.
//  3. Group by group in the same order: fewest batches not picked before, then
//     fewest bags, then the smallest sum of distances, then the smallest ids.
//
// When all eligible bags together are short, all of them are returned with
// ShortMl and a caution. The runner-up is the second set in the same order.
// Pick refuses a need or volume out of range, an id given twice, an unknown
// state and more than MaxPickBags bags.
func Pick(in PickInput) (PickResult, error) {
	var r PickResult
	if err := checkPick(&in, &r.Basis); err != nil {
		return PickResult{}, err
	}
	bags := eligible(in, &r)
	r.source(srcFefo)
	r.step("need %d mL; %d of %d bags are eligible; %s", in.NeedMl, len(bags), len(in.Bags), pickOrderText)
	best, found := bestSet(bags, in.NeedMl)
	if !found {
		best = bags
		r.ShortMl = in.NeedMl - volumeOf(bags)
		r.caution(stockShort.With(num(float64(volumeOf(bags))), num(float64(in.NeedMl)), num(float64(r.ShortMl))))
	}
	r.Bags, r.VolumeMl = idsOf(best), volumeOf(best)
	r.WasteMl = max(r.VolumeMl-in.NeedMl, 0)
	explainPick(&r, best, in.NeedMl)
	if found {
		next := runnerUp(bags, best, in.NeedMl)
		r.RunnerUp = idsOf(next)
		if len(next) > 0 {
			r.step("runner-up: %s, %d mL, waste %d mL", strings.Join(r.RunnerUp, ", "), volumeOf(next), volumeOf(next)-in.NeedMl)
		}
	}
	r.step("%s", labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

// checkPick refuses what cannot be picked from and fills in the planned end.
func checkPick(in *PickInput, b *Basis) error {
	c := &inputs{basis: b}
	if in.NeedMl < 1 || in.NeedMl > maxPickMl {
		c.refuse(refusal.New("need_ml", in.NeedMl, fmt.Sprintf("1 to %d mL", maxPickMl)).Because("litres? 0.95 L is 950 mL"))
	}
	if len(in.Bags) > MaxPickBags {
		c.refuse(refusal.New("bags", len(in.Bags), fmt.Sprintf("at most %d bags", MaxPickBags)).Because("ask for one place at a time"))
	}
	c.moment("at", in.At)
	if in.Until.IsZero() {
		in.Until = in.At
		b.caution(endNotGiven.With())
	}
	c.moment("until", in.Until)
	if in.Until.Before(in.At) {
		c.refuse(refusal.New("until", in.Until.Format(time.RFC3339), "a planned end after the start"))
	}
	seen := make(map[string]bool, len(in.Bags))
	for i, bag := range in.Bags {
		if c.err != nil {
			break
		}
		c.pickBag(fmt.Sprintf("bags[%d]", i), bag, seen[bag.ID])
		seen[bag.ID] = true
	}
	return c.err
}

func (c *inputs) pickBag(at string, bag PickBag, twice bool) {
	if bag.ID == "" || len(bag.ID) > maxPickIDLen || twice {
		c.refuse(refusal.New(at+".id", bag.ID, fmt.Sprintf("an id of 1 to %d bytes that no other bag has", maxPickIDLen)))
	}
	if bag.VolumeMl < minPickBagMl || bag.VolumeMl > maxPickBagMl {
		c.refuse(refusal.New(at+".volume_ml", bag.VolumeMl, fmt.Sprintf("%d to %d mL", minPickBagMl, maxPickBagMl)).Because("litres? 0.95 L is 950 mL"))
	}
	if !slices.Contains(ShelfStates(), bag.State) {
		c.refuse(refusal.New(at+".state", bag.State, fmt.Sprint(ShelfStates())))
	}
	if bag.Distance != nil && (*bag.Distance < 0 || *bag.Distance > maxDistance) {
		c.refuse(refusal.New(at+".distance", *bag.Distance, fmt.Sprintf("0 to %d", maxDistance)))
	}
	c.moment(at+".use_by", bag.UseBy)
}

// eligible returns the bags that may be given, in the order in which to use
// them, and notes why the others may not.
func eligible(in PickInput, r *PickResult) []PickBag {
	var out []PickBag
	reacted := 0
	for _, bag := range in.Bags {
		if because := whyNot(bag, in.Until); because != "" {
			r.Excluded = append(r.Excluded, PickExcluded{bag.ID, because})
			r.step("left out %s: %s", refusal.Shorten(bag.ID), because)
			if bag.Reacted {
				reacted++
			}
			continue
		}
		bag.Distance = new(distanceOf(bag, in.Place))
		out = append(out, bag)
	}
	if reacted > 0 {
		r.caution(pickReacted.With(reacted))
	}
	slices.SortFunc(out, func(a, b PickBag) int { return cmp.Or(compareGroup(a, b), cmp.Compare(a.ID, b.ID)) })
	return out
}

func distanceOf(bag PickBag, place string) int {
	switch {
	case place != "" && bag.Place == place:
		return 0
	case bag.Distance != nil:
		return *bag.Distance
	}
	return 1
}

func whyNot(bag PickBag, until time.Time) string {
	switch {
	case bag.State != ShelfFrozen && bag.State != ShelfThawed:
		return strings.ReplaceAll(string(bag.State), "_", " ")
	case bag.Reacted:
		return "this patient reacted to its batch"
	case !bag.UseBy.After(until):
		return fmt.Sprintf("its use-by %s is not after the planned end %s", bag.UseBy.Format(whenLayout), until.In(bag.UseBy.Location()).Format(whenLayout))
	}
	return ""
}

// compareGroup orders groups: thawed before frozen, then by use-by.
func compareGroup(a, b PickBag) int {
	if a.State != b.State {
		if a.State == ShelfThawed {
			return -1
		}
		return 1
	}
	return a.UseBy.Compare(b.UseBy)
}

func volumeOf(bags []PickBag) int {
	sum := 0
	for _, b := range bags {
		sum += b.VolumeMl
	}
	return sum
}

func idsOf(bags []PickBag) []string {
	out := make([]string, len(bags))
	for i, b := range bags {
		out[i] = b.ID
	}
	return out
}

// explainPick says for each bag why it stands where it does.
func explainPick(r *PickResult, best []PickBag, need int) {
	for _, b := range best {
		why := "earliest use-by left"
		if b.State == ShelfThawed {
			why = "a good thawed bag comes first"
		}
		takes := min(b.VolumeMl, need)
		need -= takes
		r.step("%s: %d mL towards the need, batch %s, use by %s, %s, distance %d: %s",
			refusal.Shorten(b.ID), takes, refusal.Shorten(b.Batch), b.UseBy.Format(whenLayout), b.State, *b.Distance, why)
	}
}
