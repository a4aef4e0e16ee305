package query

import (
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
)

// MaxRows bounds every list in an answer.
const MaxRows = 5000

// Get reads the state of one entity with its type; nil when it is not known here.
func Get[S ledger.State](b *ReadView, kind, id string) (S, error) {
	s, known, err := store.Get[S](b.Snapshot, event.Key{Kind: kind, ID: id})
	if known && (kind == event.KindCase || kind == event.KindMare) {
		s, _ = b.readable(s).(S)
	}
	return s, err
}

// Bag is a bag; nil when it is not known here.
func (b *ReadView) Bag(id string) (*ledger.Bag, error) { return Get[*ledger.Bag](b, event.KindBag, id) }

// Case is a case; nil when it is not known here.
func (b *ReadView) Case(id string) (*ledger.Case, error) {
	if b.last == nil || b.last.Entity.ID != id {
		c, err := Get[*ledger.Case](b, event.KindCase, id)
		if err != nil || c == nil {
			return nil, err
		}
		b.last = c
	}
	return b.last, nil
}

// bagLine is a bag as lists need it.
func (b *ReadView) bagLine(id string) (*ledger.BagLine, bool, error) {
	raw, err := b.Line(event.Key{Kind: event.KindBag, ID: id})
	if err != nil || len(raw) == 0 {
		return nil, false, err
	}
	line, err := ledger.DecodeBagLine(raw)
	return line, err == nil, err
}

// batchNow is the batch that a bag is of by what stands about it; that which was filled in
// when something was told of it, while its label is not here.
func (b *ReadView) batchNow(bag, product, batch string) (string, string, error) {
	line, ok, err := b.bagLine(bag)
	if err != nil || !ok || line.Label == nil || line.Label.Batch == "" {
		return product, batch, err
	}
	return line.Label.Product, line.Label.Batch, nil
}

// eachFound hands on the bags found under a term, until fn says stop.
func (b *ReadView) eachFound(term string, fn func(*ledger.BagLine) (more bool, err error)) error {
	return b.FindLines(term, func(f store.Found) (bool, error) {
		line, err := ledger.DecodeBagLine(f.Line)
		if err != nil {
			return false, err
		}
		return fn(line)
	})
}

// eachBag hands on every bag there ever was, in the order of ids, with what sums over
// time need of it. Both are read into the same two structs for all: they are valid until
// fn returns, but for label and texts.
func (b *ReadView) eachBag(fn func(*ledger.BagLine, *ledger.BagBooks) error) error {
	var bag ledger.BagLine
	var books ledger.BagBooks
	return b.EachLine(event.KindBag, func(raw []byte) (bool, error) {
		err := bag.Read(raw)
		if err == nil {
			err = books.Read(&bag)
		}
		if err == nil {
			err = fn(&bag, &books)
		}
		return err == nil, err
	})
}

// Card is the label card that stands of a product; nil when there is none.
func (b *ReadView) Card(product string) (*ledger.Card, error) {
	card, known := b.cards[product]
	if !known {
		p, err := Get[*ledger.Product](b, event.KindProduct, product)
		if err != nil {
			return nil, err
		}
		if p != nil {
			card = p.Card()
		}
		b.cards[product] = card
	}
	return card, nil
}

// ProductsOf are the products for which a maker's number was told to stand, by id. Several
// are a slip of somebody: whoever scans is asked.
func (b *ReadView) ProductsOf(gtin string) (out []string, err error) {
	err = b.Each(event.KindProduct, func(s ledger.State) (bool, error) {
		p := s.(*ledger.Product)
		if slices.ContainsFunc(p.Codes, func(c ledger.ProductCode) bool { return c.GTIN == gtin }) {
			out = append(out, p.Entity.ID)
		}
		return len(out) < maxOfOneCode, nil
	})
	return out, err
}

// maxOfOneCode bounds the products that one number is told to stand for.
const maxOfOneCode = 20

// place is the state of a place; nil when it is not known here.
func (b *ReadView) place(id string) (*ledger.Place, error) {
	place, known := b.places[id]
	if known {
		return place, nil
	}
	place, err := Get[*ledger.Place](b, event.KindPlace, id)
	if err == nil {
		b.places[id] = place
	}
	return place, err
}

// standingHolds are the holds that stand on a batch.
func (b *ReadView) standingHolds(product, code string) ([]ledger.Hold, error) {
	id := event.BatchID(product, code)
	if holds, known := b.holds[id]; known {
		return holds, nil
	}
	terms, err := b.Terms(event.Key{Kind: event.KindBatch, ID: id})
	if err != nil {
		return nil, err
	}
	var holds []ledger.Hold
	if slices.ContainsFunc(terms, func(t string) bool { return ledger.IsDated(t, ledger.TermHeld) }) {
		batch, err := b.Batch(product, code)
		if err != nil {
			return nil, err
		}
		if batch != nil {
			holds = batch.Standing()
		}
	}
	b.holds[id] = holds
	return holds, nil
}

// Batch is a batch of a product; nil when it is not known here.
func (b *ReadView) Batch(product, code string) (*ledger.Batch, error) {
	return Get[*ledger.Batch](b, event.KindBatch, event.BatchID(product, code))
}
