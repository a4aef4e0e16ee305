package site

import (
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// holdInUse is a hold or recall on a bag that is thawed, thawing or running.
type holdInUse struct {
	Record, Kind, At, Reason, Who string
	Telephone, Maker              string
	Bag, Product, Batch           string
	Case, Patient, Name           string
	Running                       bool
	Here                          bool // this device wrote of the bag's case
	Elsewhere                     bool // in use, but not here and not on this page
	Keys                          bool // F8 and F9 are for this one
}

// Mark names what a person says to have read: this hold on this bag. Another bag
// of the batch, the other twin's say, is told of in its own right.
func (h holdInUse) Mark() string { return h.Record + "." + h.Bag }

// holdsInUse finds every standing hold on a bag in use, with its patient.
func holdsInUse(l *query.ReadView) ([]holdInUse, error) {
	var out []holdInUse
	err := l.Bags(ledger.TermInUse, func(line *ledger.BagLine) error {
		holds, err := l.HoldsOn(line.Label)
		if err != nil || len(holds) == 0 {
			return err
		}
		bag, err := l.Bag(line.ID)
		if err != nil || bag == nil {
			return err
		}
		for _, h := range holds {
			hold, err := holdOn(l, bag, h)
			if err != nil {
				return err
			}
			out = append(out, hold)
		}
		return nil
	})
	return out, err
}

func holdOn(l *query.ReadView, bag *ledger.Bag, h ledger.Hold) (holdInUse, error) {
	out := holdInUse{
		Record: h.Stamp.Record.String(), Kind: words.Say("word.hold"), At: words.Moment(time.UnixMilli(h.Stamp.AtMs).In(l.Zone())),
		Reason: h.Reason, Who: l.Person(h.Stamp.Author), Telephone: h.SupportTelephone,
		Bag: words.BagNumber(bag.Entity.ID), Product: l.Name(event.KindProduct, bag.Label.Product), Batch: bag.Label.Batch,
		Running: bag.Running(),
	}
	if h.Recall {
		out.Kind = words.Say("word.recall")
	}
	if card, err := l.Card(bag.Label.Product); err != nil {
		return out, err
	} else if card != nil {
		out.Maker = card.Maker
		if out.Telephone == "" {
			out.Telephone = card.SupportTelephone
		}
	}
	id := ""
	if n := len(bag.Uses); n > 0 {
		id = bag.Uses[n-1].Case
	} else if n := len(bag.Thaws); n > 0 {
		id = bag.Thaws[n-1].Case
	}
	c, err := l.Case(id)
	if c != nil {
		out.Case, out.Patient, out.Here = id, l.Patient(c), l.WrittenHere(c.Timeline)
		out.Name = HeaderOf(l, c, l.Now()).Name
	} else { // thawed for no case: whoever wrote of the bag may have it
		out.Here = l.WrittenHere(bag.Timeline)
	}
	return out, err
}

// holdsMemory is where is noted which holds were read. What was read on a locked
// page takes the screen again once somebody has opened it.
func (req *Request) holdsMemory() string {
	if req.Locked {
		return req.Session.ID + " locked"
	}
	return req.Session.ID
}

// SawHold notes that the person at this browser has been told of a hold.
func SawHold(req *Request) error {
	req.Site.flash.seeHold(req.holdsMemory(), req.PostForm.Get("hold"))
	return req.Redirect(req.PostForm.Get("back"))
}
