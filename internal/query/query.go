package query

import (
	"context"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

// Reader answers questions about one replica. It reads and never writes.
type Reader struct{ *replica.Replica }

// book is one consistent look at the replica, with what answers need beside the
// state: the moment, the practice's zone and the names.
type ReadView struct {
	*store.Snapshot
	r        *replica.Replica
	now      time.Time       // by this machine's clock
	clock    *pb.ClockOffset // of that clock, as measured; nil when nothing is known
	zone     *time.Location
	practice *ledger.Practice
	past     time.Time // the moment past that an answer is about; zero for now
	names    map[event.Key]string
	gone     map[string]bool // clients of whom it is known whether they were forgotten
	last     *ledger.Case    // that was read: an entry, and a page, ask for it again and again

	// What many rows of one answer share is read once.
	cards  map[string]*ledger.Card
	donors map[string]*ledger.Donor
	places map[string]*ledger.Place
	holds  map[string][]ledger.Hold // that stand, by batch

	shelves map[frozen]engine.ShelfResult
	beside  *Beside // nil: not read yet
}

// View opens a book. It is closed when fn returns; what it gives is folded
// state and must not be changed.
func (s Reader) View(ctx context.Context, fn func(*ReadView) error) error {
	return s.Store.View(ctx, s.opened(fn))
}

// ViewOwn opens a book that waits for this device's records and urgent ones only.
func (s Reader) ViewOwn(ctx context.Context, fn func(*ReadView) error) error {
	return s.Store.ViewOwn(ctx, s.opened(fn))
}

func (s Reader) opened(fn func(*ReadView) error) func(*store.Snapshot) error {
	return func(v *store.Snapshot) error {
		b, err := s.open(v)
		if err != nil {
			return err
		}
		return fn(b)
	}
}

func (s Reader) open(v *store.Snapshot) (*ReadView, error) {
	b := &ReadView{Snapshot: v, r: s.Replica, now: s.Clock.Now(), clock: s.Store.ClockOffset(), zone: time.UTC, names: map[event.Key]string{}, gone: map[string]bool{},
		cards: map[string]*ledger.Card{}, donors: map[string]*ledger.Donor{}, places: map[string]*ledger.Place{}, holds: map[string][]ledger.Hold{}, shelves: map[frozen]engine.ShelfResult{}}
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
		if tz, err := zone.Load(b.practice.Zone); err == nil {
			b.zone = tz
		}
	}
	return b, nil
}

// choosePractice takes the practice whose founding counts: a laptop that was a
// practice of one brought another along when it joined.
func (b *ReadView) choosePractice() error {
	rights, err := b.Rights()
	if err != nil || !rights.Founded() {
		return err
	}
	b.practice, _, err = store.Get[*ledger.Practice](b.Snapshot, event.Key{Kind: event.KindPractice, ID: rights.Founding.Practice})
	return err
}

// Stamp writes milliseconds since 1970 as RFC 3339 in the practice's zone; empty for none.
func (b *ReadView) Stamp(ms int64) string {
	if ms == 0 {
		return ""
	}
	return time.UnixMilli(ms).In(b.zone).Format(time.RFC3339)
}

// Clock writes milliseconds since 1970 as people read them: 15:04 on 2 Jan 2006, in the
// practice's zone.
func (b *ReadView) Clock(ms int64) string {
	return time.UnixMilli(ms).In(b.zone).Format("15:04 on 2 Jan 2006")
}

// At writes an instant as RFC 3339 in the practice's zone; empty for none.
func (b *ReadView) At(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(b.zone).Format(time.RFC3339)
}

// freshness says how old an answer about shared stock may be.
func (b *ReadView) freshness() *pb.Freshness {
	last, from := b.Heard()
	if from == FromHub {
		return &pb.Freshness{Text: "This is the clinic's server."}
	}
	f := &pb.Freshness{HeardFromServerAt: b.At(b.r.Link.LastHeard())}
	switch {
	case from == Alone:
		f.Text = "This laptop works alone: other vehicles' entries are not seen here."
	case last.IsZero():
		f.Text = "This laptop has not heard from the clinic since it was started."
	default:
		f.Text = "Last heard from the clinic " + wording.Ago(b.now.Sub(last)) + " ago."
	}
	return f
}
