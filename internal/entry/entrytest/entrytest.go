// Package entrytest is a laptop without a network for tests: a replica in memory
// with the writer and the reader over it.
package entrytest

import (
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica/replicatest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// Laptop is a laptop that works alone, with short ways to write and to ask.
type Laptop struct {
	*entry.Writer
	T     *testing.T
	Clock *clock.Manual
}

// Night is when it starts.
var Night = time.Date(2026, 11, 24, 13, 0, 0, 0, time.UTC)

// New opens one, before any practice is founded.
func New(t *testing.T) *Laptop { return Named(t, "north laptop", 7) }

// Named opens a laptop of its own name, device key and randomness.
func Named(t *testing.T, name string, seed byte) *Laptop { return Booted(t, name, seed, seed) }

// Booted is Named with a randomness apart from the device key: two of one key are
// two programs of one device.
func Booted(t *testing.T, name string, seed, boot byte) *Laptop {
	t.Helper()
	l, err := On(t, name, seed, rand.NewChaCha8([32]byte{boot}), memfs.New(), index.NewMemory())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Store.Close()) })
	return l
}

// On is Named on a disk and an index of the caller's, who closes the store; a laptop
// that is opened again draws other randomness. The error is the store's: a disk that
// fails may keep it from being opened.
func On(t *testing.T, name string, seed byte, random io.Reader, disk journal.FS, ix index.Index) (*Laptop, error) {
	t.Helper()
	c := clock.NewManual(Night)
	r, err := replicatest.Open(t, c, disk, ix, seed, random, name)
	if err != nil {
		return nil, err
	}
	return &Laptop{Writer: entry.NewWriter(r), T: t, Clock: c}, nil
}

// Entry wraps a payload whose type follows from its message.
func (d *Laptop) Entry(m proto.Message) *pb.Entry {
	for _, s := range event.All() {
		if s.Message() == m.ProtoReflect().Descriptor() {
			e, err := event.Wrap(s.Type, m)
			require.NoError(d.T, err)
			return e
		}
	}
	d.T.Fatalf("no event type for %T", m)
	return nil
}

// Named wraps a payload as the event of a name, where several share a message.
func (d *Laptop) Named(name string, m proto.Message) *pb.Entry {
	for _, s := range event.All() {
		if s.Name == name {
			e, err := event.Wrap(s.Type, m)
			require.NoError(d.T, err)
			return e
		}
	}
	d.T.Fatalf("no event %q", name)
	return nil
}

// Must writes an entry that is to succeed.
func (d *Laptop) Must(m proto.Message) *pb.WriteResponse {
	d.T.Helper()
	out, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Entry(m)})
	require.NoError(d.T, err)
	return out
}

// Begin founds a practice with one product, one place and three bags.
func (d *Laptop) Begin() (bags []string) {
	d.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	d.Must(&pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	d.Must(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, SupportTelephone: "1800 000 000"})
	return d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 3, Place: "north car"}).Made
}

// Ready checks a bag for a patient before the set goes in: every point is ticked.
func (d *Laptop) Ready(id, bag string) {
	d.T.Helper()
	d.Must(&pb.HangChecked{
		Case: id, Bag: bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true,
		FilteredSet: true, SpareSet: true, ReactionCardInReach: true, BaselineVitals: true,
	})
}

// Foal opens a case.
func (d *Laptop) Foal() string {
	out := d.Must(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", DamChip: "985000000000001",
		Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "star", Box: "4", ClockChecked: true,
		BornAt: &pb.Moment{UnixMs: Night.Add(-10 * time.Hour).UnixMilli()},
	})
	return out.Made[0]
}

// Refused writes and returns the refusal; the number of records must not change.
func (d *Laptop) Refused(m proto.Message) (field, text string) {
	d.T.Helper()
	before := d.Replica.Store.Records()
	_, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Entry(m)})
	require.Error(d.T, err)
	r, ok := refusal.As(err)
	require.True(d.T, ok, "%v is a refusal with a field", err)
	require.Equal(d.T, before, d.Replica.Store.Records(), "a refused entry changes nothing")
	require.NotContains(d.T, r.Error(), "\n")
	return r.Field, r.Error()
}
