package query

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Each hands on the states of a kind, in the order of their ids, until fn says stop.
// What was voided as a whole is not among them.
func (b *ReadView) Each(kind string, fn func(ledger.State) (more bool, err error)) error {
	return b.Snapshot.Each(kind, func(s ledger.State) (bool, error) {
		if !ledger.Told(s) {
			return true, nil
		}
		return fn(b.readable(s))
	})
}

// Now is the moment of the look.
func (b *ReadView) Now() time.Time { return b.now }

// Zone is the practice's zone; UTC before there is a practice.
func (b *ReadView) Zone() *time.Location { return b.zone }

// Practice is nil before one is founded.
func (b *ReadView) Practice() *ledger.Practice { return b.practice }

// Freshness says in one sentence how old an answer may be.
func (b *ReadView) Freshness() string { return b.freshness().Text }

// Source is what an answer about shared stock rests on.
type Source int

// Sources of such an answer.
const (
	FromClinic Source = iota // what the clinic's server told, and when
	FromHub                  // this is that server
	Alone                    // this laptop has none
)

// Heard says what answers about shared stock rest on, and when the clinic was last
// heard from: never, while the time is zero.
func (b *ReadView) Heard() (at time.Time, from Source) {
	switch {
	case b.r.Hub:
		return time.Time{}, FromHub
	case b.r.Link.Server() == "":
		return time.Time{}, Alone
	}
	return b.r.Link.LastHeard(), FromClinic
}

// Unsent counts own records that no server has acknowledged.
func (b *ReadView) Unsent() int { return int(b.r.Unsent()) }

// CaseID finds a case by its id or the start of it.
func (b *ReadView) CaseID(text string) (string, error) {
	return b.Resolve("case", event.KindCase, text)
}

// Twin is the open case of a foal's twin; empty when there is none here.
func (b *ReadView) Twin(c *ledger.Case) (string, error) {
	own := c.Patient
	if own == nil || own.Twin == "" || own.DamKey == "" {
		return "", nil
	}
	dam, err := Get[*ledger.Dam](b, event.KindDam, own.DamKey)
	if err != nil || dam == nil {
		return "", err
	}
	for _, o := range dam.Cases {
		if o.Twin == "" || strings.EqualFold(o.Twin, own.Twin) {
			continue
		}
		if other, err := b.Case(o.Case); err != nil {
			return "", err
		} else if other != nil && other.Open() {
			return o.Case, nil
		}
	}
	return "", nil
}

// BagID finds a bag by its number, or by the first characters of a known one.
func (b *ReadView) BagID(text string) (string, error) { return b.resolveBag("bag", text) }

// Shelf says until when a bag may be used, and why.
func (b *ReadView) Shelf(bag *ledger.Bag) (engine.ShelfResult, error) {
	return b.ShelfAt(bag.Line(), b.ClinicNow())
}

// HoldsOn are the holds and recalls that stand on a bag's batch.
func (b *ReadView) HoldsOn(of *ledger.BagLabel) ([]ledger.Hold, error) {
	if of == nil {
		return nil, nil
	}
	return b.standingHolds(of.Product, of.Batch)
}

// WrittenHere says that this device wrote one of the entries.
func (b *ReadView) WrittenHere(entries []ledger.Entry) bool {
	own := b.r.Store.Device()
	return slices.ContainsFunc(entries, func(e ledger.Entry) bool {
		log, ok := b.r.Store.Log(e.Log)
		return ok && bytes.Equal(log.Device(), own)
	})
}

// Patient says who the patient of a case is, in one line.
func (b *ReadView) Patient(c *ledger.Case) string { return patientOrCase(c) }

// Marks is what the patient is known by.
func (b *ReadView) Marks(p *ledger.Patient) string { return wording.PatientMarks(p) }

// Holder names the laptop that took a case over, and says whether that is another
// one than this.
func (b *ReadView) Holder(c *ledger.Case) (laptop string, elsewhere bool) {
	return b.laptop(c.Holder()), b.elsewhere(c)
}

// Client reads a client's name, telephone and address, as far as the keys are
// here.
func (b *ReadView) Client(id string) (name, telephone, address string) {
	c, err := Get[*ledger.Client](b, event.KindClient, id)
	if err != nil || c == nil {
		return "", "", ""
	}
	return b.open(c, "name", c.Name), b.open(c, "telephone", c.Telephone), b.open(c, "address", c.Address)
}

// open reads a sealed field of an entity; empty for none.
func (b *ReadView) open(of ledger.State, field string, s *ledger.Sealed) string {
	if s == nil {
		return ""
	}
	plain, ok := b.r.Seals.Open(of.Key(), field, &pb.Sealed{KeyId: s.KeyID, Nonce: s.Nonce, Ciphertext: s.Ciphertext})
	if !ok {
		return forgotten
	}
	return plain
}

// TelephoneOf is at what number a person of the practice is rung up; empty while none
// was told.
func (b *ReadView) TelephoneOf(person string) (string, error) {
	p, err := Get[*ledger.Person](b, event.KindPerson, person)
	if err != nil || p == nil {
		return "", err
	}
	return b.open(p, "telephone", p.Telephone), nil
}

// Find lists entities under a term of ledger.Terms.
func (b *ReadView) Find(term string) ([]event.Key, error) { return b.Snapshot.Find(term, MaxRows) }

// Newest lists entities under a dated term, the newest first, at most n.
func (b *ReadView) Newest(term string, n int) (out []event.Key, err error) {
	err = b.Snapshot.Newest(term, "", func(f store.Found) (bool, error) {
		out = append(out, f.Key)
		return len(out) < n, nil
	})
	return out, err
}

// HasRole says that a person holds one of the roles, or that no practice is
// founded yet and roles do not count.
func (b *ReadView) HasRole(person string, roles ...pb.Role) bool {
	rights, err := b.Rights()
	if err != nil || !rights.Founded() {
		return err == nil
	}
	_, ok := rights.GrantFor(person, roles)
	return ok
}
