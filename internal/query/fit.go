package query

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// Against is what speaks against giving a bag to a patient, each in words; empty for
// what does not. It is told when a bag is to be started, and a bag of which anything
// is told is never the next one.
type Against struct {
	Unfit     string // unfit, on hold, quarantined or expired
	Gone      string // it has left the stock other than by being given
	Elsewhere string // another patient has it, or had of it
}

// None says that nothing does.
func (a Against) None() bool { return a == Against{} }

// Against looks at a bag for the patient of a case, at a moment of this laptop's clock;
// the shelf is judged by the clinic's time. A nil bag is not
// known here: nothing is told of it.
func (b *ReadView) Against(bag *ledger.Bag, c *ledger.Case, at time.Time) (a Against, err error) {
	if bag == nil {
		return a, nil
	}
	if bag.Ended != "" && bag.Ended != ledger.EndGiven {
		a.Gone = strings.ReplaceAll(bag.Ended, "_", " ")
	}
	if a.Elsewhere, err = b.givenElsewhere(bag, c); err != nil || bag.Label == nil {
		return a, err
	}
	shelf, err := b.ShelfAt(bag.Line(), b.ByClinic(at))
	if err != nil {
		return a, err
	}
	switch shelf.State {
	case engine.ShelfUnfit, engine.ShelfOnHold, engine.ShelfQuarantined, engine.ShelfExpired:
		a.Unfit = shelf.Because[0]
	}
	if a.Unfit == "" && incompatible(c, bag.Entity.ID) {
		a.Unfit = "its minor crossmatch with this patient is incompatible"
	}
	return a, nil
}

// incompatible says that the last minor crossmatch of a bag with the patient failed.
func incompatible(c *ledger.Case, bag string) (failed bool) {
	for i := range c.Crossmatches {
		if x := &c.Crossmatches[i]; x.Bag == bag {
			failed = x.Minor == pb.MatchResult_MATCH_RESULT_INCOMPATIBLE
		}
	}
	return failed
}

// givenElsewhere tells of another patient who has the bag, else of one who had of it.
// The same patient's case on another laptop is linked to this one and is no other; so
// is none who shares the bag on purpose.
func (b *ReadView) givenElsewhere(bag *ledger.Bag, c *ledger.Case) (said string, err error) {
	for i := range bag.Uses {
		u := &bag.Uses[i]
		if u.Case == c.Entity.ID || linkedTo(c, u.Case) || sharedHere(bag, c) {
			continue
		}
		other, err := b.Case(u.Case)
		if err != nil {
			return "", err
		}
		who := "case " + u.Case
		if other != nil {
			who = patientOrCase(other)
		}
		if u.Start != nil && u.End == nil && !endedIn(other, bag.Entity.ID) {
			return "it hangs at the " + who + " since " + b.clockText(u.Start.AtMs), nil
		}
		said = fmt.Sprintf("%d mL of it were given to the %s", u.GivenMl, who)
	}
	return said, nil
}

// endedIn says that a bag's own records lack the end which its case knows of by a code.
func endedIn(c *ledger.Case, bag string) bool {
	if c == nil {
		return false
	}
	t := c.Transfused(bag)
	return t != nil && t.ToldEndMs != 0
}

func linkedTo(c *ledger.Case, other string) bool {
	return slices.ContainsFunc(c.Links, func(l ledger.Link) bool { return l.Other == other && l.Linked })
}

// sharedHere says that this patient's start told that the bag is shared with the twin.
func sharedHere(bag *ledger.Bag, c *ledger.Case) bool {
	return slices.ContainsFunc(bag.Uses, func(u ledger.Use) bool { return u.Case == c.Entity.ID && u.Shared })
}

// BagsOf lists the bags of a case: those of the dose plan that stands, then all that
// were checked, thawed or given for it.
func BagsOf(c *ledger.Case) (out []string) {
	add := func(ids ...string) {
		for _, id := range ids {
			if id != "" && !slices.Contains(out, id) {
				out = append(out, id)
			}
		}
	}
	for _, p := range slices.Backward(c.Plans) {
		if p.Plan == "dose" {
			add(p.Bags...)
			break
		}
	}
	for _, k := range c.BathChecks {
		add(k.Bag)
	}
	for _, k := range c.Thaws {
		add(k.Bag)
	}
	for i := range c.Transfusions {
		add(c.Transfusions[i].Bag)
	}
	return out
}

// waiting is the first bag of a case that was not started and against which nothing
// speaks; blocked is the first of the others, with what speaks against it.
func (b *ReadView) waiting(c *ledger.Case) (next, blocked string, why Against, err error) {
	for _, id := range BagsOf(c) {
		if c.Transfused(id) != nil {
			continue
		}
		bag, err := b.Bag(id)
		if err != nil {
			return "", "", why, err
		}
		against, err := b.Against(bag, c, b.now)
		switch {
		case err != nil:
			return "", "", why, err
		case against.None():
			return id, blocked, why, nil
		case blocked == "" && against.Gone == "":
			blocked, why = id, against
		}
	}
	return "", blocked, why, nil
}

// Words is what speaks against a bag, in one sentence.
func (a Against) Words() string {
	parts := slices.DeleteFunc([]string{a.Unfit, a.Elsewhere, a.Gone}, func(s string) bool { return s == "" })
	return strings.Join(parts, "; ")
}

// clockText is a moment as the day's clock shows it, with its day when that is not
// today.
func (b *ReadView) clockText(ms int64) string {
	at := time.UnixMilli(ms).In(b.zone)
	if at.Format(time.DateOnly) == b.now.In(b.zone).Format(time.DateOnly) {
		return at.Format("15:04")
	}
	return at.Format("15:04 on 2 Jan 2006")
}

// BagWords names a bag as every answer does: its number, its product and its batch.
func (b *ReadView) BagWords(id string) string {
	bag, err := b.Bag(id)
	if err != nil || bag == nil || bag.Label == nil {
		return say.Text("named.bag_unknown", label.BagNumber(id).String())
	}
	return say.Text("named.bag", label.BagNumber(id).String(), b.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch)
}
