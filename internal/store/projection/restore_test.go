package projection

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/fxamacker/cbor/v2"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// A machine stops after any update of its index, whatever that wrote, or loses one of them
// from the middle. Then an older journal is put back. No row of what is gone there stays; and
// one that stops again, while it empties that index, leaves the next start what it needs to
// do so.
func TestAnOlderJournalUnderRowsOfWhatIsGone(t *testing.T) {
	small := func(o *Options) { o.Far, o.Unclean = 64, true }
	bags := make([]string, 350)
	for i := range bags {
		bags[i] = fmt.Sprintf("BAG%d", i)
	}
	deliveries := func(r *rig, south *ledgertest.Device) {
		for i := range 300 {
			r.receive(south, fmt.Sprintf("THEIRS%d", i))
		}
		south.Write(&pb.BatchHeld{Product: "P", Batch: "H-1", Reason: "the maker called"})
	}
	count := func(_ *rig, south *ledgertest.Device) { south.Write(&pb.PlaceCounted{Place: "CLINIC", BagsSeen: bags}) }
	for name, way := range map[string]struct {
		older int // bags that the older journal knows
		write func(r *rig, south *ledgertest.Device)
		apply func(*rig) error
	}{
		"before its turn":         {10, deliveries, func(r *rig) error { return r.ApplyPriority(t.Context()) }},
		"gathered, then settled":  {10, deliveries, func(r *rig) error { r.catchUp(); _, err := r.Settle(t.Context()); return err }},
		"in more than one update": {350, count, func(r *rig) error { return r.CatchUp(t.Context()) }},
	} {
		t.Run(name, func(t *testing.T) {
			trail := (&indextest.Trail{}).Reopened()
			r := newRig(t, trail, small)
			south := r.world.Device("south")
			for some := range slices.Chunk(bags[:way.older], 100) {
				r.receive(south, some...)
			}
			r.catchUp()
			older, from := r.fs.CrashClone(memfs.Keep), trail.Len()
			way.write(r, south)
			r.save()
			require.NoError(t, way.apply(r))
			require.Greater(t, trail.Len(), from)

			emptied := trail.Reopened()
			r.on(older, emptied, small).requireRebuilt()
			for _, ends := range []struct {
				of   *indextest.Trail
				from int
			}{{trail, from}, {emptied, trail.Len()}} {
				for n := ends.from; n <= ends.of.Len(); n++ {
					r.on(older, ends.of.AsOf(n).Reopened(), small).requireRebuilt()
				}
				for n := ends.from; n < ends.of.Len(); n++ {
					r.on(older, ends.of.Without(n, n+1).Reopened(), small).requireRebuilt()
				}
			}
		})
	}
}

// A stop while an index of other rules is being emptied: the next start finds that it is one,
// and no row of those rules stays.
func TestAnIndexOfOtherRulesIsEmptiedWhole(t *testing.T) {
	unclean := func(o *Options) { o.Unclean = true }
	trail := (&indextest.Trail{}).Reopened()
	r := newRig(t, trail)
	for i := range 300 {
		r.receive(r.device, fmt.Sprintf("BAG%d", i))
	}
	r.catchUp()
	require.NoError(t, trail.Update(func(w index.Writer) error {
		var row cursorRow
		value, _, err := w.Get(cursorKey)
		require.NoError(t, err)
		require.NoError(t, cbor.Unmarshal(value, &row))
		row.Fold++
		value, err = cbor.Marshal(row)
		require.NoError(t, err)
		return errors.Join(w.Set(cursorKey, value), w.Set([]byte("u/of other rules"), []byte{1}))
	}))
	emptied := trail.Reopened()
	r.again(emptied, unclean).requireRebuilt()
	require.Greater(t, emptied.Len(), trail.Len()+2)
	for n := trail.Len(); n <= emptied.Len(); n++ {
		r.again(emptied.AsOf(n).Reopened(), unclean).requireRebuilt()
	}
}
