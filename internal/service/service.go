package service

import (
	"context"
	"io"
	"log/slog"
	"time"

	"golang.org/x/sync/singleflight"

	"thawtrail/internal/clock"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// Link tells the services how this replica stands with the practice's server.
type Link interface {
	// Server is the address of the server; empty when there is none or this is it.
	Server() string
	// State is one word for people: up, down, alone, here (this is the server).
	State() string
	// Differences are what the last hello found, in words.
	Differences() []string
	// LastHeard is when this replica last heard from the server; zero: never.
	LastHeard() time.Time
	// StateOf says how far a record of this device has come.
	StateOf(*event.Record) exchange.Delivery
	// Reached counts the records of an own log that a server acknowledged, and
	// those that a statement of the server covers.
	Reached(event.LogID) (sent, held int64)
	// SetAside names what came and did not verify.
	SetAside() []string
}

// Replica is what all services share: one store, one clock, one link.
type Replica struct {
	Store  *store.Store
	Clock  clock.Clock
	Random io.Reader
	Seals  Seals
	Link   Link
	Hub    bool
	Name   string        // of this device
	Joined *trust.Joined // the practice that it belongs to; nil for none
	// Carried wakes the link when records came by hand: the server may lack them.
	// Nil on the server itself.
	Carried chan struct{}

	Pins *pins.Book // of the people who share this machine; nil where none are kept

	Log      *slog.Logger // required
	AsideDir string       // where runs that do not verify are kept for a person

	requests singleflight.Group
}

// Records, Stock, Cases and Audit are the services over one replica.
type (
	Records struct {
		pb.UnimplementedRecordServiceServer
		*Replica
	}
	Stock struct {
		pb.UnimplementedStockServiceServer
		*Replica
	}
	Cases struct {
		pb.UnimplementedCaseServiceServer
		*Replica
	}
	Audit struct {
		pb.UnimplementedAuditServiceServer
		*Replica
	}
)

// book is one consistent look at the replica, with what answers need beside the
// state: the moment, the practice's zone and the names.
type book struct {
	*store.Snapshot
	r        *Replica
	now      time.Time
	zone     *time.Location
	practice *ledger.Practice
	names    map[event.Key]string

	// What many rows of one answer share is read once.
	cards  map[string]*ledger.Card
	places map[string]*ledger.Place
	holds  map[string][]ledger.Hold // that stand, by batch

	shelves map[frozen]engine.ShelfResult
}

// view opens a book. Errors become gRPC statuses.
func (r *Replica) view(ctx context.Context, fn func(*book) error) error {
	return Status(r.Store.View(ctx, r.opened(fn)))
}

// viewOwn opens a book that waits for this device's records and urgent ones only.
func (r *Replica) viewOwn(ctx context.Context, fn func(*book) error) error {
	return Status(r.Store.ViewOwn(ctx, r.opened(fn)))
}

func (r *Replica) opened(fn func(*book) error) func(*store.Snapshot) error {
	return func(v *store.Snapshot) error {
		b, err := r.open(v)
		if err != nil {
			return err
		}
		return fn(b)
	}
}

func (r *Replica) open(v *store.Snapshot) (*book, error) {
	b := &book{Snapshot: v, r: r, now: r.Clock.Now(), zone: time.UTC, names: map[event.Key]string{},
		cards: map[string]*ledger.Card{}, places: map[string]*ledger.Place{}, holds: map[string][]ledger.Hold{}, shelves: map[frozen]engine.ShelfResult{}}
	practices := 0
	err := v.Each(event.KindPractice, func(s ledger.State) (bool, error) {
		b.practice = s.(*ledger.Practice)
		practices++
		return practices < 2, nil
	})
	if err == nil && practices > 1 {
		err = b.choosePractice()
	}
	if err != nil {
		return nil, err
	}
	if b.practice != nil {
		if zone, err := time.LoadLocation(b.practice.Zone); err == nil {
			b.zone = zone
		}
	}
	return b, nil
}

// choosePractice takes the practice whose founding counts: a laptop that was a
// practice of one brought another along when it joined.
func (b *book) choosePractice() error {
	rights, err := b.Rights()
	if err != nil || !rights.Founded() {
		return err
	}
	b.practice, _, err = store.Get[*ledger.Practice](b.Snapshot, event.Key{Kind: event.KindPractice, ID: rights.Founding.Practice})
	return err
}

// stamp writes an instant as RFC 3339 in the practice's zone; empty for none.
func (b *book) stamp(ms int64) string {
	if ms == 0 {
		return ""
	}
	return time.UnixMilli(ms).In(b.zone).Format(time.RFC3339)
}

func (b *book) at(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(b.zone).Format(time.RFC3339)
}

// freshness says how old an answer about shared stock may be.
func (b *book) freshness() *pb.Freshness {
	if b.r.Hub {
		return &pb.Freshness{Text: "This is the clinic's server."}
	}
	last := b.r.Link.LastHeard()
	f := &pb.Freshness{HeardFromServerAt: b.at(last)}
	switch age := b.now.Sub(last); {
	case b.r.Link.Server() == "":
		f.Text = "This laptop works alone: other vehicles' entries are not seen here."
	case last.IsZero():
		f.Text = "This laptop has not heard from the clinic since it was started."
	default:
		f.Text = "Last heard from the clinic " + ago(age) + " ago."
	}
	return f
}

// ago words a duration for people.
func ago(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute"
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour")
	}
	return plural(int(d.Hours()/24), "day")
}
