package service

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Look is one consistent look at the books for the pages, which need more of a
// case at once than one answer holds. It reads and never writes; what it gives
// is folded state and must not be changed.
type Look struct{ b *book }

// Look opens a look and closes it when fn returns.
func (r *Replica) Look(ctx context.Context, fn func(Look) error) error {
	return r.view(ctx, func(b *book) error { return fn(Look{b}) })
}

// Now is the moment of the look.
func (l Look) Now() time.Time { return l.b.now }

// Zone is the practice's zone; UTC before there is a practice.
func (l Look) Zone() *time.Location { return l.b.zone }

// Practice is nil before one is founded.
func (l Look) Practice() *ledger.Practice { return l.b.practice }

// Freshness says in one sentence how old an answer may be.
func (l Look) Freshness() string { return l.b.freshness().Text }

// Unsent counts own records that no server has acknowledged.
func (l Look) Unsent() int { return int(l.b.r.unsent()) }

// CaseID finds a case by its id or the start of it.
func (l Look) CaseID(text string) (string, error) { return l.b.resolve("case", event.KindCase, text) }

// Twin is the open case of a foal's twin; empty when there is none here.
func (l Look) Twin(c *ledger.Case) (string, error) {
	own := c.Patient
	if own == nil || own.Twin == "" || own.DamKey == "" {
		return "", nil
	}
	dam, ok, err := ledgerGet[*ledger.Dam](l.b, event.KindDam, own.DamKey)
	if err != nil || !ok {
		return "", err
	}
	for _, o := range dam.Cases {
		if o.Twin == "" || strings.EqualFold(o.Twin, own.Twin) {
			continue
		}
		if other, err := l.Case(o.Case); err != nil {
			return "", err
		} else if other != nil && other.Open() {
			return o.Case, nil
		}
	}
	return "", nil
}

// BagID finds a bag by its number, or by the first characters of a known one.
func (l Look) BagID(text string) (string, error) { return l.b.resolveBag("bag", text) }

// Case is a case; nil when it is not known here.
func (l Look) Case(id string) (*ledger.Case, error) {
	c, ok, err := l.b.getCase(id)
	if !ok {
		return nil, err
	}
	return c, err
}

// Bag is a bag; nil when it is not known here.
func (l Look) Bag(id string) (*ledger.Bag, error) {
	bag, ok, err := l.b.bag(id)
	if !ok {
		return nil, err
	}
	return bag, err
}

// Shelf says until when a bag may be used, and why.
func (l Look) Shelf(bag *ledger.Bag) (engine.ShelfResult, error) {
	return l.b.shelf(bag.Line(), l.b.now)
}

// Card is the label card that stands of a product; nil when there is none.
func (l Look) Card(product string) (*ledger.Card, error) {
	card, ok, err := l.b.card(product)
	if !ok {
		return nil, err
	}
	return card, err
}

// HoldsOn are the holds and recalls that stand on a bag's batch.
func (l Look) HoldsOn(of *ledger.BagLabel) ([]ledger.Hold, error) {
	if of == nil {
		return nil, nil
	}
	return l.b.holdsOn(of.Product, of.Batch)
}

// WrittenHere says that this device wrote one of the entries.
func (l Look) WrittenHere(entries []ledger.Entry) bool {
	own := l.b.r.Store.Device()
	return slices.ContainsFunc(entries, func(e ledger.Entry) bool {
		log, ok := l.b.r.Store.Log(e.Log)
		return ok && bytes.Equal(log.Device(), own)
	})
}

// Name is what people call an entity; its id when it has no name.
func (l Look) Name(kind, id string) string { return l.b.name(event.Key{Kind: kind, ID: id}) }

// Person names who said something.
func (l Look) Person(id string) string { return l.b.person(id) }

// Patient says who the patient of a case is, in one line.
func (l Look) Patient(c *ledger.Case) string { return patientOrCase(c) }

// Marks is what the patient is known by.
func (l Look) Marks(p *ledger.Patient) string { return marksText(p) }

// Igg shows 0.01 g/L in the practice's unit.
func (l Look) Igg(cgPerL int32) string { return l.b.igg(cgPerL) }

// IggTest shows a test's value, band or side of a cut.
func (l Look) IggTest(t *ledger.IggTest) string { return l.b.iggText(t) }

// VolumeOfDay is all that the patient had by vein in 24 h, in mL.
func (l Look) VolumeOfDay(c *ledger.Case) int32 { return l.b.volumeOfDay(c) }

// Holder names the laptop that took a case over, and says whether that is another
// one than this.
func (l Look) Holder(c *ledger.Case) (laptop string, elsewhere bool) {
	return l.b.laptop(c.Holder()), l.b.elsewhere(c)
}

// Client reads a client's name, telephone and address, as far as the keys are
// here.
func (l Look) Client(id string) (name, telephone, address string) {
	c, ok, err := ledgerGet[*ledger.Client](l.b, event.KindClient, id)
	if err != nil || !ok {
		return "", "", ""
	}
	open := func(field string, s *ledger.Sealed) string {
		if s == nil {
			return ""
		}
		plain, ok := l.b.r.Seals.Open(c.Entity, field, &pb.Sealed{KeyId: s.KeyID, Nonce: s.Nonce, Ciphertext: s.Ciphertext})
		if !ok {
			return forgotten
		}
		return plain
	}
	return open("name", c.Name), open("telephone", c.Telephone), open("address", c.Address)
}

// KitCount is how many of a kit item a place holds by the books.
func (l Look) KitCount(place string, item pb.KitItem) (int32, error) {
	return l.b.kitCount(place, item)
}

// Find lists entities under a term of ledger.Terms.
func (l Look) Find(term string) ([]event.Key, error) { return l.b.Find(term, maxRows) }

// Newest lists entities under a dated term, the newest first, at most n.
func (l Look) Newest(term string, n int) (out []event.Key, err error) {
	err = l.b.Newest(term, "", func(f store.Found) (bool, error) {
		out = append(out, f.Key)
		return len(out) < n, nil
	})
	return out, err
}

// Bags hands on the bags found under a term as lists need them, at most maxRows.
func (l Look) Bags(term string, fn func(*ledger.BagLine) error) error { return l.b.eachBag(term, fn) }

// Each hands on every state of a kind until fn says stop.
func (l Look) Each(kind string, fn func(ledger.State) (more bool, err error)) error {
	return l.b.Each(kind, fn)
}

// Records hands on every record that touches an entity.
func (l Look) Records(k event.Key, fn func(*event.Record) error) error { return l.b.Records(k, fn) }

// HasRole says that a person holds one of the roles, or that no practice is
// founded yet and roles do not count.
func (l Look) HasRole(person string, roles ...pb.Role) bool {
	rights, err := l.b.Rights()
	if err != nil || !rights.Founded() {
		return err == nil
	}
	_, ok := rights.GrantFor(person, roles)
	return ok
}
