package service

import (
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// shelf asks the engine until when a bag may be used: the bag's own story, the
// holds on its batch, warm spells where it lay, and its label card.
func (b *book) shelf(bag *ledger.Bag, at time.Time) (engine.ShelfResult, error) {
	in := engine.ShelfInput{At: at, Zone: b.zone, Softened: len(bag.Softened) > 0, Refrozen: len(bag.Refrozen) > 0}
	if len(bag.Refrozen) > 0 {
		in.RefrozenAt = time.UnixMilli(bag.Refrozen[0].AtMs)
	}
	thawTimes(bag, &in)
	if bag.Label != nil {
		in.Expiry = bag.Label.Expiry
		if err := b.holdsOf(bag, &in); err != nil {
			return engine.ShelfResult{}, err
		}
		card, ok, err := b.card(bag.Label.Product)
		if err != nil {
			return engine.ShelfResult{}, err
		}
		if ok && card.UseWithinThawMin != nil {
			h := float64(*card.UseWithinThawMin) / 60
			in.CardUseByHours = &h
		}
	}
	if err := b.warmSpells(bag, &in); err != nil {
		return engine.ShelfResult{}, err
	}
	return engine.Shelf(in)
}

// thawTimes takes the earliest thaw and set, since the earliest clock wins.
func thawTimes(bag *ledger.Bag, in *engine.ShelfInput) {
	for _, t := range bag.Thaws {
		if started := time.UnixMilli(t.Stamp.AtMs); in.ThawStartedAt.IsZero() || started.Before(in.ThawStartedAt) {
			in.ThawStartedAt = started
		}
		if t.Complete != nil && in.ThawedAt.IsZero() {
			in.ThawedAt = time.UnixMilli(t.Complete.AtMs)
		}
	}
	for _, s := range bag.Sets {
		earliest(&in.SetAttachedAt, s.Stamp.AtMs)
	}
	for _, u := range bag.Uses {
		if u.Start != nil {
			earliest(&in.SetAttachedAt, u.Start.AtMs)
		}
	}
	if n := len(bag.Fridge); n > 0 && bag.Fridge[n-1].KeptAtDc != nil {
		c := float64(*bag.Fridge[n-1].KeptAtDc) / 10
		in.KeptAtC = &c
	}
}

func earliest(t *time.Time, ms int64) {
	if at := time.UnixMilli(ms); t.IsZero() || at.Before(*t) {
		*t = at
	}
}

func (b *book) holdsOf(bag *ledger.Bag, in *engine.ShelfInput) error {
	batch, ok, err := b.batch(bag.Label.Product, bag.Label.Batch)
	if err != nil || !ok {
		return err
	}
	for _, h := range batch.Standing() {
		in.Held = true
		in.HeldBecause = append(in.HeldBecause, holdLine(h, b))
	}
	return nil
}

func holdLine(h ledger.Hold, b *book) string {
	word := "on hold"
	if h.Recall {
		word = "recalled"
	}
	return word + " since " + time.UnixMilli(h.Stamp.AtMs).In(b.zone).Format("15:04 on 2 Jan 2006") + ": " + h.Reason
}

// warmSpells sets a bag aside for every warm spell of a place in which it lay
// there, until a person decided on that spell.
func (b *book) warmSpells(bag *ledger.Bag, in *engine.ShelfInput) error {
	for i, span := range bag.Custody {
		place, ok, err := ledgerGet[*ledger.Place](b, event.KindPlace, span.Place)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		until := in.At.UnixMilli()
		if i+1 < len(bag.Custody) {
			until = bag.Custody[i+1].FromMs
		}
		for _, w := range place.Warm {
			if w.FromMs < until && (w.ToMs == 0 || w.ToMs > span.FromMs) {
				b.judge(bag, w, in)
			}
		}
	}
	return nil
}

// judge applies a person's decision on a warm spell, if there is one.
func (b *book) judge(bag *ledger.Bag, w ledger.WarmSpan, in *engine.ShelfInput) {
	decided := false
	for _, d := range bag.Decisions {
		if d.Warm == w.Stamp.Record.String() {
			decided = true
			if d.Unfit {
				in.UnfitBecause = append(in.UnfitBecause, "judged unfit after a warm spell: "+d.Reason)
			}
		}
	}
	if !decided {
		in.Quarantined = true
		in.QuarantineBecause = append(in.QuarantineBecause,
			"lay in a place that was warm or off from "+time.UnixMilli(w.FromMs).In(b.zone).Format("15:04 on 2 Jan 2006")+"; a person has to decide")
	}
}

// bagRow is a bag as lists show it.
func (b *book) bagRow(bag *ledger.Bag, at time.Time) (*pb.BagRow, error) {
	row := &pb.BagRow{Bag: bag.Entity.ID, Place: b.name(event.Key{Kind: event.KindPlace, ID: bag.Place})}
	if l := bag.Label; l != nil {
		row.Product = b.name(event.Key{Kind: event.KindProduct, ID: l.Product})
		row.Batch, row.Expiry, row.VolumeMl = l.Batch, l.Expiry, l.VolumeMl
	}
	if bag.Ended != "" {
		row.State, row.States = bag.Ended, []string{bag.Ended}
		return row, nil
	}
	shelf, err := b.shelf(bag, at)
	if err != nil {
		return nil, err
	}
	row.State, row.Because, row.UseBy = string(shelf.State), shelf.Because, b.at(shelf.UseBy)
	for _, s := range shelf.States {
		row.States = append(row.States, string(s))
	}
	if n := len(bag.Thaws); n > 0 {
		row.ForCase = bag.Thaws[n-1].Case
	}
	return row, nil
}

// bagText is a bag's number as stickers and screens show it.
func bagText(id string) string { return label.BagNumber(id).String() }
