package replica

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// Link tells the services how this replica stands with the practice's server.
type LinkState interface {
	// Server is the address of the server; empty when there is none or this is it.
	Server() string
	// State says for people how the link stands.
	State() string
	// Up says that the server answers now.
	Up() bool
	// Differences are what the last hello found, in words.
	Differences() []string
	// LastHeard is when this replica last heard from the server; zero: never.
	LastHeard() time.Time
	// StateOf says how far a record of this device has come.
	StateOf(*event.Record) exchange.Delivery
	// Reached counts the records of an own log that a server acknowledged, and
	// those that a statement of the server covers.
	Reached(event.LogID) (sent, held int64)
	// Quarantined names what came and did not verify.
	Quarantined() []string
}

// Replica is what all services share: one store, one clock, one link.
type Replica struct {
	Store  *store.Store
	Clock  clock.Clock
	Random io.Reader
	Seals  Seals
	Link   LinkState
	Hub    bool
	Name   string        // of this device
	Joined *trust.Joined // the practice that it belongs to; nil for none
	// Carried wakes the link when records came by hand: the server may lack them.
	// Nil on the server itself.
	Carried chan struct{}

	// Found lists what this replica found different between those that it answers, in
	// words; nil where nobody calls.
	Found func() []string

	Script     Script     // of a rehearsal; nil in real work, and on its server
	Rehearsals Rehearsals // where rehearsals can be started; nil elsewhere

	Pins *pins.Registry // of the people who share this machine; nil where none are kept

	// Parts says which parts of the program do not work now; nil where none run.
	Parts *Parts

	Kept      *trust.Kept     // what this machine remembers beside its records; nil: nothing
	BackupKey trust.BackupKey // behind the code of its backups

	Log     *slog.Logger // required
	Aside   Aside        // keeps runs that do not verify for a person; nil: nobody does
	Scratch string       // folder for what is too large to be held while it is read; empty: the system's
}

// Aside keeps small contents for a person, under names that sort by their age.
type Aside interface {
	Write(name string, contents []byte) error
	List() (names []string, err error)
	Remove(name string) error
}

// PracticeID is the practice that this replica's books belong to; empty for none.
func (r *Replica) PracticeID(ctx context.Context) (id string, err error) {
	err = r.Store.View(ctx, func(v *store.Snapshot) error {
		rights, err := v.Rights()
		if err == nil && rights.Founded() {
			id = rights.Founding.Practice
		}
		return err
	})
	return id, err
}

// Seals turns text that names a person privately into a sealed field and back.
// Each entity has a key of its own, so that forgetting one forgets nothing else.
type Seals interface {
	// Seal seals a text for one field of an entity, making its key at first.
	Seal(entity event.Key, field, plain string) (*pb.Sealed, error)
	// Open reads a sealed field; ok is false when its key is not here, or was
	// dropped because the client asked to be forgotten.
	Open(entity event.Key, field string, s *pb.Sealed) (plain string, ok bool)
	// Save writes keys that were made durably, before a record relies on them.
	Save() error
	// Take takes keys that came beside records, durably. refused is the first key
	// that could not be taken, and stops no other.
	Take([]*pb.FieldKey) (refused, err error)
	// Wants says that a key is well formed, and neither held nor forgotten here.
	Wants(*pb.FieldKey) bool
	// Find gives the keys of these ids that are held.
	Find(ids [][]byte) []*pb.FieldKey
	// Sums says in 2 KiB which ids are known; Differing lists those where the sums
	// of another side differ, from a bucket on, and the bucket to go on from.
	Sums() []byte
	Differing(sums []byte, from, most int) (held, forgotten [][]byte, next int, err error)
	// Since lists keys after the first n, and the number to go on from.
	Since(n, most int) (list []*pb.FieldKey, next int)
	// Forget drops the keys of an entity for ever, here.
	Forget(event.Key) error
}

// MaxKeysSent bounds the keys beside one message.
const MaxKeysSent = 500

// maxForgotten bounds the clients that are dropped in one go.
const maxForgotten = 5000

// DropForgotten drops the keys of every client who asked to be forgotten.
func (r *Replica) DropForgotten(ctx context.Context) error {
	return r.Store.View(ctx, func(v *store.Snapshot) error {
		keys, err := v.Find(ledger.TermForgotten, maxForgotten)
		for _, k := range keys {
			if err := r.Seals.Forget(k); err != nil {
				return err
			}
		}
		return err
	})
}

// Delivered counts this device's own records, of all logs that it ever wrote, by how
// far they have come: by what a server acknowledged of each. What stands behind
// records that are lost is saved here until another log carries it, and those that
// are lost are nowhere.
func (r *Replica) Delivered() (saved, sent, held int64, err error) {
	own, err := r.Store.OwnRecords()
	for _, l := range own {
		s, h := r.Link.Reached(l.Log)
		reached := max(s, h)
		saved, sent, held = saved+max(0, l.Records-reached)+l.Stranded, sent+reached-h, held+h
	}
	return saved, sent, held, err
}

// Unsent counts own records that no server has acknowledged, in the logs that can be
// told to be this device's.
func (r *Replica) Unsent() int64 {
	if r.Hub {
		return 0
	}
	saved, _, _, err := r.Delivered()
	if err != nil {
		r.Log.Error("count what was not sent", "error", err)
	}
	return saved
}

// FindRecord finds the record that a field names by the first digits of its hash. One
// that is here and cannot be read is never called absent.
func (r *Replica) FindRecord(field, digits string) (*event.Record, error) {
	rec, err := r.Store.FindRecord(digits)
	switch {
	case errors.Is(err, store.ErrUnread):
		return nil, refusal.Fail(refusal.ErrDamaged, "record %s is held here, but cannot be read: %v; try again, and if it stays so, let this machine check its disk", refusal.Shorten(digits), err)
	case errors.Is(err, store.ErrNotFound):
		return nil, refusal.Conflict(field, digits, "the hash of a record that is held here, or at least its first 8 digits")
	}
	return rec, err
}

// NotSaved words a failure of the disk: the person must know that nothing was
// saved.
func NotSaved(err error) error {
	if errors.Is(err, store.ErrClosed) {
		return refusal.Fail(refusal.ErrUnavailable, "not saved: this program is stopping")
	}
	if errors.Is(err, store.ErrNoSpace) {
		return refusal.Fail(refusal.ErrUnavailable, "not saved: the disk of this machine is full (no space left), and the room kept free for entries is used up. Delete something, then enter this again")
	}
	if errors.Is(err, store.ErrUnread) {
		return refusal.Fail(refusal.ErrDamaged, "%s; try again, and if it stays so, let this machine check its disk", err.Error())
	}
	return refusal.Fail(refusal.ErrUnavailable, "%s", err.Error())
}
