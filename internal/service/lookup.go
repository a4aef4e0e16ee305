package service

import (
	"fmt"

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

// card is the label card that stands of a product.
func (b *book) card(product string) (*ledger.Card, bool, error) {
	p, ok, err := ledgerGet[*ledger.Product](b, event.KindProduct, product)
	if !ok || p.Card() == nil {
		return nil, false, err
	}
	return p.Card(), true, err
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
