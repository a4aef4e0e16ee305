package engine

import (
	"cmp"
	_ "embed" // for PickSchema
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// PickStock is the stock file of `plan pick`: one JSON object with the bags that
// may be picked from. PickSchema is its JSON Schema; testdata/engine has an
// invented example.
type PickStock struct {
	Bags []PickBag `json:"bags"`
}

// PickSchema is the JSON Schema (2020-12) of a stock file.
//
//go:embed pick.schema.json
var PickSchema string

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
	Bags   []PickBag // at most MaxPickBags; of those that may be given, PickCandidates are compared
	Place  string    // where the bags are wanted
	At     time.Time // when the first is hung
	Until  time.Time // planned end; zero: not known, At is used with a note
}

// MaxPickBags bounds the stock that is handed over; PickCandidates bounds the
// bags among which the choice is exact. Sixty bags of a few sizes take some tens
// of microseconds; the worst, sixty bags that all differ and 20 L, some
// milliseconds.
const (
	MaxPickBags    = 1000
	PickCandidates = 60
)

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
	leastPickMl   = 20 // less is more likely litres (ours)
	maxPickBagMl  = 5000
	minPickBagMl  = 10
	maxPickIDLen  = 64
	maxDistance   = 1000
	mostLeftOut   = 10 // bags left out that the steps name; Excluded has all
	srcFefo       = "earliest expiry first: WHO Good distribution practices, Annex 5"
	pickOrderText = "order: a good thawed bag first, then the earliest use-by, least waste, fewest batches, fewest bags, nearest"
)

var (
	stockShort = caution.Define("stock_short", caution.Reason,
		"The eligible bags hold %s mL of %s mL: %s mL are lacking.")
	endNotGiven = caution.Define("planned_end_not_given", caution.Note,
		"No planned end was given: each bag's use-by is only compared with the start.")
	pickMany = caution.Define("pick_compared_some", caution.Note,
		"%d bags may be given; %d of them were compared: %s.")
	pickReacted = caution.Define("reacted_batch_left_out", caution.Note,
		"Left out, because this patient reacted to their batch: %d.")
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
//
// Of more than PickCandidates eligible bags the first PickCandidates in the order
// of use are compared; where those hold less than the need, the largest are. What
// is given up: a later bag that would have wasted less, and, when the need takes
// more than PickCandidates bags, the rest of the stock. A caution says so.
//
// Pick refuses a need or volume out of range, an id given twice, an unknown
// state and more than MaxPickBags bags.
func Pick(in PickInput) (PickResult, error) {
	var r PickResult
	if err := checkPick(&in, &r.Basis); err != nil {
		return PickResult{}, err
	}
	bags := candidates(eligible(in, &r), in.NeedMl, &r)
	r.source(srcFefo)
	r.step("need %d mL; %d of %d bags are eligible; %s", in.NeedMl, len(in.Bags)-len(r.Excluded), len(in.Bags), pickOrderText)
	c := newChooser(bags, in.NeedMl)
	best, next := c.choose()
	if best == nil {
		best = bags
		r.ShortMl = in.NeedMl - volumeOf(bags)
		r.caution(stockShort.With(num(float64(volumeOf(bags))), num(float64(in.NeedMl)), num(float64(r.ShortMl))))
	}
	r.Bags, r.VolumeMl = idsOf(best), volumeOf(best)
	r.WasteMl = max(r.VolumeMl-in.NeedMl, 0)
	explainPick(&r, best, in.NeedMl)
	if len(next) > 0 {
		r.RunnerUp = idsOf(next)
		r.step("runner-up: %s, %d mL, waste %d mL", strings.Join(r.RunnerUp, ", "), volumeOf(next), volumeOf(next)-in.NeedMl)
	}
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

// PickNeed is a needed volume in whole mL, rounded up. It refuses one out of range
// as it was typed: 1.9 is more likely litres.
func PickNeed(ml float64) (int, error) {
	if ml >= leastPickMl && ml <= maxPickMl {
		return int(math.Ceil(ml)), nil
	}
	return 0, refusePickNeed(ml)
}

func refusePickNeed(ml float64) *refusal.Error {
	return refusal.New("need_ml", num(ml), fmt.Sprintf("%d to %d mL", leastPickMl, maxPickMl)).Because("litres? 1.9 L is 1900 mL")
}

// candidate is a bag that may be given, with what the choice needs.
type candidate struct {
	*PickBag
	distance int
	units    int // its volume in the chooser's unit
	batch    int // equal for bags of one batch
}

// checkPick refuses what cannot be picked from and fills in the planned end.
func checkPick(in *PickInput, b *Basis) error {
	c := &inputs{basis: b}
	if in.NeedMl < leastPickMl || in.NeedMl > maxPickMl {
		c.refuse(refusePickNeed(float64(in.NeedMl)))
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
		c.pickBag(i, bag, seen[bag.ID])
		seen[bag.ID] = true
	}
	return c.err
}

func (c *inputs) pickBag(i int, bag PickBag, twice bool) {
	at := func(field string) string { return fmt.Sprintf("bags[%d].%s", i, field) }
	if bag.ID == "" || len(bag.ID) > maxPickIDLen || twice {
		c.refuse(refusal.New(at("id"), bag.ID, fmt.Sprintf("an id of 1 to %d bytes that no other bag has", maxPickIDLen)))
	}
	if bag.VolumeMl < minPickBagMl || bag.VolumeMl > maxPickBagMl {
		c.refuse(refusal.New(at("volume_ml"), bag.VolumeMl, fmt.Sprintf("%d to %d mL", minPickBagMl, maxPickBagMl)).Because("litres? 0.95 L is 950 mL"))
	}
	if !slices.Contains(shelfStates, bag.State) {
		c.refuse(refusal.New(at("state"), bag.State, fmt.Sprint(shelfStates)))
	}
	if bag.Distance != nil && (*bag.Distance < 0 || *bag.Distance > maxDistance) {
		c.refuse(refusal.New(at("distance"), *bag.Distance, fmt.Sprintf("0 to %d", maxDistance)))
	}
	if !sensible(bag.UseBy) {
		c.moment(at("use_by"), bag.UseBy)
	}
}

// eligible returns the bags that may be given, in the order in which to use
// them, and notes why the others may not.
func eligible(in PickInput, r *PickResult) []candidate {
	out := make([]candidate, 0, len(in.Bags))
	reacted := 0
	for i := range in.Bags {
		bag := &in.Bags[i]
		if because := whyNot(bag, in.Until); because != "" {
			r.Excluded = append(r.Excluded, PickExcluded{bag.ID, because})
			if len(r.Excluded) <= mostLeftOut {
				r.step("left out %s: %s", refusal.Shorten(bag.ID), because)
			}
			if bag.Reacted {
				reacted++
			}
			continue
		}
		out = append(out, candidate{PickBag: bag, distance: distanceOf(bag, in.Place)})
	}
	if more := len(r.Excluded) - mostLeftOut; more > 0 {
		r.step("left out %d more bags", more)
	}
	if reacted > 0 {
		r.caution(pickReacted.With(reacted))
	}
	slices.SortFunc(out, inOrderOfUse)
	return out
}

func inOrderOfUse(a, b candidate) int {
	return cmp.Or(compareGroup(a, b), cmp.Compare(a.ID, b.ID))
}

// candidates are the bags to compare, in the order of use.
func candidates(bags []candidate, need int, r *PickResult) []candidate {
	if len(bags) <= PickCandidates {
		return bags
	}
	first, which := bags[:PickCandidates], "the first to be used"
	if volumeOf(first) < need {
		first, which = slices.Clone(bags), "the largest, for the first to be used are short"
		slices.SortStableFunc(first, func(a, b candidate) int { return b.VolumeMl - a.VolumeMl })
		first = first[:PickCandidates]
		slices.SortFunc(first, inOrderOfUse)
	}
	r.caution(pickMany.With(len(bags), PickCandidates, which))
	return first
}

func distanceOf(bag *PickBag, place string) int {
	switch {
	case place != "" && bag.Place == place:
		return 0
	case bag.Distance != nil:
		return *bag.Distance
	}
	return 1
}

func whyNot(bag *PickBag, until time.Time) string {
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
func compareGroup(a, b candidate) int {
	if a.State != b.State {
		if a.State == ShelfThawed {
			return -1
		}
		return 1
	}
	return a.UseBy.Compare(b.UseBy)
}

func volumeOf(bags []candidate) int {
	sum := 0
	for _, b := range bags {
		sum += b.VolumeMl
	}
	return sum
}

func idsOf(bags []candidate) []string {
	out := make([]string, len(bags))
	for i, b := range bags {
		out[i] = b.ID
	}
	return out
}

// explainPick says for each bag why it stands where it does.
func explainPick(r *PickResult, best []candidate, need int) {
	for _, b := range best {
		why := "earliest use-by left"
		if b.State == ShelfThawed {
			why = "a good thawed bag comes first"
		}
		takes := min(b.VolumeMl, need)
		need -= takes
		r.step("%s: %d mL towards the need, batch %s, use by %s, %s, distance %d: %s",
			refusal.Shorten(b.ID), takes, refusal.Shorten(b.Batch), b.UseBy.Format(whenLayout), string(b.State), b.distance, why)
	}
}
