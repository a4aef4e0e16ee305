package service

import (
	"fmt"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
)

// maxRows bounds every list in an answer.
const maxRows = 5000

// ledgerGet reads the state of one entity with its type.
func ledgerGet[S ledger.State](b *book, kind, id string) (S, bool, error) {
	return store.Get[S](b.Snapshot, event.Key{Kind: kind, ID: id})
}

func (b *book) bag(id string) (*ledger.Bag, bool, error) {
	return ledgerGet[*ledger.Bag](b, event.KindBag, id)
}

func (b *book) getCase(id string) (*ledger.Case, bool, error) {
	return ledgerGet[*ledger.Case](b, event.KindCase, id)
}

// bagLine is a bag as lists need it.
func (b *book) bagLine(id string) (*ledger.BagLine, bool, error) {
	raw, err := b.Line(event.Key{Kind: event.KindBag, ID: id})
	if err != nil || len(raw) == 0 {
		return nil, false, err
	}
	line, err := ledger.DecodeBagLine(raw)
	return line, err == nil, err
}

// eachFound hands on the bags found under a term, until fn says stop.
func (b *book) eachFound(term string, fn func(*ledger.BagLine) (more bool, err error)) error {
	return b.FindLines(term, func(f store.Found) (bool, error) {
		line, err := ledger.DecodeBagLine(f.Line)
		if err != nil {
			return false, err
		}
		return fn(line)
	})
}

// card is the label card that stands of a product.
func (b *book) card(product string) (*ledger.Card, bool, error) {
	card, known := b.cards[product]
	if !known {
		p, ok, err := ledgerGet[*ledger.Product](b, event.KindProduct, product)
		if err != nil {
			return nil, false, err
		}
		if ok {
			card = p.Card()
		}
		b.cards[product] = card
	}
	return card, card != nil, nil
}

// place is the state of a place; nil when it is not known here.
func (b *book) place(id string) (*ledger.Place, error) {
	place, known := b.places[id]
	if known {
		return place, nil
	}
	place, _, err := ledgerGet[*ledger.Place](b, event.KindPlace, id)
	if err == nil {
		b.places[id] = place
	}
	return place, err
}

// holdsOn are the holds that stand on a batch.
func (b *book) holdsOn(product, code string) ([]ledger.Hold, error) {
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
		batch, ok, err := b.batch(product, code)
		if err != nil {
			return nil, err
		}
		if ok {
			holds = batch.Standing()
		}
	}
	b.holds[id] = holds
	return holds, nil
}

func (b *book) batch(product, code string) (*ledger.Batch, bool, error) {
	return ledgerGet[*ledger.Batch](b, event.KindBatch, event.BatchID(product, code))
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
