package query

import (
	"slices"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// ShelfAt asks the engine until when a bag may be used: the bag's own story, the
// holds on its batch, warm spells where it lay, and its label card. The moment is by
// the clinic's time.
func (b *ReadView) ShelfAt(bag *ledger.BagLine, at time.Time) (engine.ShelfResult, error) {
	in := engine.ShelfInput{At: at, Zone: b.zone}
	if bag.Clocks != nil {
		clocksOf(bag.Clocks, &in)
	}
	if bag.Label != nil {
		in.Expiry = bag.Label.Expiry
		if err := b.holdsOf(bag.Label, &in); err != nil {
			return engine.ShelfResult{}, err
		}
		donor, err := b.Donor(bag.Label.Donor)
		if err != nil {
			return engine.ShelfResult{}, err
		}
		if positive := PositiveScreen(donor); positive != "" {
			in.UnfitBecause = append(in.UnfitBecause, positive)
		}
		card, err := b.Card(bag.Label.Product)
		if err != nil {
			return engine.ShelfResult{}, err
		}
		if card != nil && card.UseWithinThawMin != nil {
			h := float64(*card.UseWithinThawMin) / 60
			in.CardUseByHours = &h
		}
	}
	if err := b.warmSpells(bag, &in); err != nil {
		return engine.ShelfResult{}, err
	}
	b.tornLabel(bag, &in)
	arrived(bag, &in)
	if bag.Label == nil || bag.Clocks != nil || in.Quarantined || len(in.UnfitBecause) > 0 {
		return engine.Shelf(in)
	}
	return b.frozenShelf(bag.Label, in)
}

// frozen is what decides about a bag that stayed frozen, in one answer.
type frozen struct {
	product, batch, expiry string
	at                     time.Time
}

// frozenShelf asks the engine once for all frozen bags of a delivery.
func (b *ReadView) frozenShelf(l *ledger.BagLabel, in engine.ShelfInput) (engine.ShelfResult, error) {
	key := frozen{l.Product, l.Batch, l.Expiry, in.At}
	if res, known := b.shelves[key]; known {
		return res, nil
	}
	res, err := engine.Shelf(in)
	if err == nil {
		b.shelves[key] = res
	}
	return res, err
}

// clocksOf puts the moments from which a bag's time runs.
func clocksOf(c *ledger.Clocks, in *engine.ShelfInput) {
	in.Softened, in.Refrozen = c.SoftenedMs != 0, c.Refrozen
	in.RefrozenAt, in.ThawStartedAt = momentOf(c.RefrozenMs), momentOf(c.ThawStartedMs)
	in.ThawedAt, in.SetAttachedAt = momentOf(c.ThawedMs), momentOf(c.SetMs)
	if c.KeptAtDc != nil {
		keptAt := float64(*c.KeptAtDc) / 10
		in.KeptAtC = &keptAt
	}
}

// momentOf is an instant; the zero time for none.
func momentOf(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms)
}

func (b *ReadView) holdsOf(l *ledger.BagLabel, in *engine.ShelfInput) error {
	holds, err := b.holdsAsOf(l)
	for _, h := range holds {
		in.Held = true
		in.HeldBecause = append(in.HeldBecause, holdLine(h, b))
	}
	return err
}

// holdsAsOf are the holds that stand on a batch; in an answer about a moment past, those
// that stood then.
func (b *ReadView) holdsAsOf(l *ledger.BagLabel) ([]ledger.Hold, error) {
	if b.past.IsZero() {
		return b.standingHolds(l.Product, l.Batch)
	}
	batch, err := b.Batch(l.Product, l.Batch)
	if err != nil || batch == nil {
		return nil, err
	}
	ms := b.past.UnixMilli()
	return slices.DeleteFunc(slices.Clone(batch.Holds), func(h ledger.Hold) bool {
		return h.Stamp.AtMs > ms || slices.ContainsFunc(h.Released, func(r ledger.Release) bool { return r.Stamp.AtMs <= ms })
	}), nil
}

func holdLine(h ledger.Hold, b *ReadView) string {
	word := "on hold"
	if h.Recall {
		word = "recalled"
	}
	return word + " since " + b.Clock(h.Stamp.AtMs) + ": " + h.Reason
}

// spells hands on the warm spells of places while the bag lay there, up to a moment.
func (b *ReadView) spells(bag *ledger.BagLine, at time.Time, fn func(ledger.WarmSpan)) error {
	for i, stay := range bag.Stays {
		place, err := b.place(stay.Place)
		if err != nil {
			return err
		}
		if place == nil {
			continue
		}
		until := at.UnixMilli()
		if i+1 < len(bag.Stays) {
			until = bag.Stays[i+1].FromMs
		}
		for _, w := range place.Warm {
			from, to := max(w.FromMs+w.Stamp.OffMs, stay.FromMs), until
			if w.ToMs != 0 {
				to = min(w.ToMs+w.Stamp.OffMs, until)
			}
			if from >= to {
				continue
			}
			out, err := b.outside(bag.ID, from, to)
			if err != nil {
				return err
			}
			if !out {
				fn(w)
			}
		}
	}
	return nil
}

// outside says that a bag was out of the house all the time from one moment to another: lent,
// given or thrown away. Where it lay before is the last that its stays say then. One that was
// missing may have lain there after all.
func (b *ReadView) outside(id string, fromMs, toMs int64) (bool, error) {
	bag, err := b.Bag(id)
	if err != nil || bag == nil {
		return false, err
	}
	for i, m := range bag.Moves {
		if m.Is || m.How == ledger.EndMissing || m.How == ledger.EndKeptBack || m.Stamp.AtMs+m.Stamp.OffMs > fromMs {
			continue
		}
		if i+1 == len(bag.Moves) || toMs <= bag.Moves[i+1].Stamp.AtMs+bag.Moves[i+1].Stamp.OffMs {
			return true, nil
		}
	}
	return false, nil
}

// tornLabel sets a bag aside whose label could not be read and whose number nobody
// confirmed, until a person decides.
func (b *ReadView) tornLabel(bag *ledger.BagLine, in *engine.ShelfInput) {
	setAside(bag, in, bag.Aside, "judged unfit, its label not readable: ",
		"label not readable, and nobody confirmed which bag it is; do not give it; a person has to decide")
}

// arrived sets a bag aside that did not arrive frozen, until a person decides.
func arrived(bag *ledger.BagLine, in *engine.ShelfInput) {
	setAside(bag, in, bag.Arrived, "judged unfit after it arrived thawed or warm: ",
		"arrived thawed or warm; ask the maker; a person has to decide")
}

// setAside quarantines a bag because of a record, until a person decided on that.
func setAside(bag *ledger.BagLine, in *engine.ShelfInput, record, unfit, why string) {
	if record == "" {
		return
	}
	decisions := judgedOn(bag, record)
	for _, d := range decisions {
		if d.Unfit {
			in.UnfitBecause = append(in.UnfitBecause, unfit+d.Reason)
		}
	}
	if len(decisions) == 0 {
		in.Quarantined = true
		in.QuarantineBecause = append(in.QuarantineBecause, why)
	}
}

// TornWords marks a bag whose label could not be read and whose number two looks
// confirmed.
const TornWords = "label not readable: as the books say, by two looks at our number"

// OpenSpells are the warm spells of a bag on which nobody decided yet.
func (b *ReadView) OpenSpells(bag *ledger.BagLine) (open []ledger.WarmSpan, err error) {
	err = b.spells(bag, b.ClinicNow(), func(w ledger.WarmSpan) {
		if len(judgedOn(bag, w.Stamp.Record.String())) == 0 {
			open = append(open, w)
		}
	})
	return open, err
}

// SpellPlace names the place of a warm spell.
func (b *ReadView) SpellPlace(w ledger.WarmSpan) string {
	rec, err := b.r.Store.FindRecord(w.Stamp.Record.String())
	if err != nil {
		return ""
	}
	return b.Name(event.KindPlace, rec.Primary().ID)
}

// judgedOn are the decisions of people on what set a bag aside: the record of a warm
// spell, or of a label.
func judgedOn(bag *ledger.BagLine, why string) (out []ledger.Judged) {
	for _, d := range bag.Judged {
		if d.Warm == why {
			out = append(out, d)
		}
	}
	return out
}

// warmSpells sets a bag aside for every warm spell of a place in which it lay
// there, until a person decided on that spell.
func (b *ReadView) warmSpells(bag *ledger.BagLine, in *engine.ShelfInput) error {
	return b.spells(bag, in.At, func(w ledger.WarmSpan) {
		decisions := judgedOn(bag, w.Stamp.Record.String())
		for _, d := range decisions {
			if d.Unfit {
				in.UnfitBecause = append(in.UnfitBecause, "judged unfit after a warm spell: "+d.Reason)
			}
		}
		if len(decisions) == 0 {
			in.Quarantined = true
			in.QuarantineBecause = append(in.QuarantineBecause,
				"lay in a place that was warm or off from "+b.Clock(w.FromMs)+"; a person has to decide")
		}
	})
}

// bagRow is a bag as lists show it.
func (b *ReadView) bagRow(bag *ledger.BagLine, at time.Time) (*pb.BagRow, error) {
	row := &pb.BagRow{Bag: bag.ID, PlaceId: bag.Place, Place: b.Name(event.KindPlace, bag.Place)}
	if l := bag.Label; l != nil {
		row.Product = b.Name(event.KindProduct, l.Product)
		row.Batch, row.Expiry, row.VolumeMl = l.Batch, l.Expiry, l.VolumeMl
	}
	if bag.Ended != "" {
		row.State, row.States = bag.Ended, []string{bag.Ended}
		return row, b.left(bag, row)
	}
	shelf, err := b.ShelfAt(bag, at)
	if err != nil {
		return nil, err
	}
	row.State, row.Because, row.UseBy = string(shelf.State), shelf.Because, b.At(shelf.UseBy)
	if bag.Torn && bag.Aside == "" {
		row.Because = append(slices.Clone(row.Because), TornWords)
	}
	for _, s := range shelf.States {
		row.States = append(row.States, string(s))
	}
	if bag.Clocks != nil {
		row.ForCase = bag.Clocks.ForCase
	}
	return row, nil
}

// bagText is a bag's number as stickers and screens show it.
func bagText(id string) string { return label.BagNumber(id).String() }
