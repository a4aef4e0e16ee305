package projection

import (
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// rig is a projection of a journal to which a world's records are committed. It
// has no replica: what a replica does, save does.
type rig struct {
	*Projection
	t       *testing.T
	fs      *memfs.FS
	world   *ledgertest.World
	device  *ledgertest.Device
	journal *journal.Journal
	logs    logTable
	saved   int // of the world's records
}

// logTable is the table of logs of a rig.
type logTable map[event.LogID]*LogInfo

func (t logTable) Log(id event.LogID) (LogInfo, bool) {
	l, ok := t[id]
	if !ok {
		return LogInfo{}, false
	}
	return *l, true
}

func (t logTable) IsEnd(id event.LogID, at exchange.Tip) bool {
	l, ok := t[id]
	return ok && slices.Contains(l.Tips(), at)
}

func (t logTable) IsWhole(id event.LogID) bool {
	l, ok := t[id]
	return !ok || !l.Gaps
}

// newRig begins with an empty journal and the two logs of one device.
func newRig(t *testing.T, ix index.Index, change ...func(*Options)) *rig {
	w := ledgertest.New(t)
	r := &rig{t: t, fs: memfs.New(), world: w, device: w.Device("north"), logs: logTable{}}
	r.open(ix, change...)
	return r
}

// again is a rig with the same records in a copy of the journal.
func (r *rig) again(ix index.Index, change ...func(*Options)) *rig { return r.on(r.fs, ix, change...) }

// on is a rig with the records of the journal of which that disk is a copy.
func (r *rig) on(disk *memfs.FS, ix index.Index, change ...func(*Options)) *rig {
	c := &rig{t: r.t, fs: disk.CrashClone(memfs.Keep), world: r.world, device: r.device, logs: logTable{}, saved: r.saved}
	c.open(ix, change...)
	return c
}

func (r *rig) open(ix index.Index, change ...func(*Options)) {
	opt := Options{
		Index: ix, Device: r.device.Public(), Logger: slog.New(slog.DiscardHandler), Logs: r.logs,
		Damaged: func(from, to journal.Position, reason string) { r.t.Errorf("%s to %s: %s", from, to, reason) }, Repaired: func(string) {}, Applied: func() {},
	}
	for _, c := range change {
		c(&opt)
	}
	var err error
	r.journal, _, err = journal.Open(journal.Options{FS: r.fs, Dir: "journal", Now: func() time.Time { return ledgertest.Start }})
	require.NoError(r.t, err)
	r.Projection, err = Open(opt)
	require.NoError(r.t, err)
	_, err = r.Restore(r.t.Context(), r.journal, Witness{})
	require.NoError(r.t, err)
	r.t.Cleanup(func() {
		require.NoError(r.t, r.Close())
		require.NoError(r.t, r.journal.Close())
	})
}

// receive writes that a bag came.
func (r *rig) receive(of *ledgertest.Device, bags ...string) *event.Record {
	return of.Write(&pb.BagsReceived{Bags: bags, Product: "P", Batch: "H-1", Expiry: "2028-03", VolumeMl: 950, Count: int32(len(bags)), Place: "CLINIC"})
}

// save commits what the world wrote since the last call, as one commit for each
// record, and tells the projection.
func (r *rig) save() {
	for _, rec := range r.world.Records()[r.saved:] {
		at, err := r.journal.Commit([][]byte{rec.Wire()})
		require.NoError(r.t, err)
		r.Add([]*event.Record{rec}, at, r.journal.End())
		if r.logs[rec.Log] == nil {
			r.logs[rec.Log] = &LogInfo{ID: rec.Log}
		}
		require.NoError(r.t, r.logs[rec.Log].Advance(rec, func(uint64) ([]exchange.Point, error) { return nil, nil }))
		r.saved++
	}
}

// catchUp saves and applies.
func (r *rig) catchUp() {
	r.t.Helper()
	r.save()
	require.NoError(r.t, r.CatchUp(r.t.Context()))
}

func (r *rig) digest() (sum event.Hash) {
	r.t.Helper()
	require.NoError(r.t, r.View(r.t.Context(), func(v *Snapshot) (err error) {
		sum, err = v.Digest()
		return err
	}))
	return sum
}

func (r *rig) rows(prefix string) map[string]string {
	r.t.Helper()
	out := map[string]string{}
	require.NoError(r.t, r.index.View(func(x index.Reader) error {
		return x.Scan([]byte(prefix), nil, false, func(k, v []byte) (bool, error) {
			out[string(k)] = string(v)
			return true, nil
		})
	}))
	return out
}

// requireRebuilt compares what grew record by record with what is built from the
// journal at once.
func (r *rig) requireRebuilt() {
	r.t.Helper()
	digest := r.digest()
	fresh := r.again(index.NewMemory())
	for _, prefix := range []string{"s/", "l/", "t/", "u/", "q/"} {
		require.Equal(r.t, fresh.rows(prefix), r.rows(prefix))
	}
	for _, term := range ledger.LineTerms {
		require.Equal(r.t, fresh.rows("i/"+term), r.rows("i/"+term))
	}
	require.Equal(r.t, fresh.digest(), digest)
	require.Empty(r.t, r.rows("d/"))
	require.Empty(r.t, r.rows("r"))
}

// look reads the index as it stands, which is what a view out of turn shows.
func (r *rig) look(fn func(*Snapshot) error) {
	r.t.Helper()
	require.NoError(r.t, r.index.View(func(x index.Reader) error { return fn(&Snapshot{r.Projection, x}) }))
}
