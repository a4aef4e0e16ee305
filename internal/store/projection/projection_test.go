package projection

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// Records that come one by one share rows, and each is found by seq and by hash,
// also after the index was built again in other pieces.
func TestExtentsGrow(t *testing.T) {
	const n = 300
	r := newRig(t, index.NewMemory())
	var hashes []string
	for i := range n {
		hashes = append(hashes, r.receive(r.device, fmt.Sprintf("BAG%d", i)).Hash.String())
		r.catchUp()
	}
	require.LessOrEqual(t, len(r.rows("p/")), n/growExtent+3)
	for _, p := range []*rig{r, r.again(index.NewMemory())} {
		for i, h := range hashes {
			recs, err := p.RecordsAt(r.device.Log(), uint64(i)+1)
			require.NoError(t, err)
			require.Len(t, recs, 1)
			require.Equal(t, h, recs[0].Hash.String())
			found, err := p.FindRecord(h[:12])
			require.NoError(t, err)
			require.Equal(t, h, found.Hash.String())
		}
	}
}

// A count names up to a thousand bags: more than one update of the index takes
// when each has a story. It must still be answered, and opened again.
func TestRecordThatTouchesMoreThanOneUpdateTakes(t *testing.T) {
	trail := (&indextest.Trail{}).Reopened()
	r := newRig(t, trail)
	var seen, missed []string
	for i := range 5 {
		var bags []string
		for k := range 200 {
			bags = append(bags, fmt.Sprintf("BAG%d", 200*i+k))
		}
		seen, missed = append(seen, bags[:100]...), append(missed, bags[100:]...)
		r.receive(r.device, bags...)
	}
	r.catchUp()
	r.device.Write(&pb.PlaceCounted{Place: "CLINIC", BagsSeen: seen, BagsNotSeen: missed})
	before := trail.Len()
	r.catchUp()
	require.Greater(t, trail.Len(), before+1000/laterKeys, "the count did not fit into one update")
	require.NoError(t, r.View(t.Context(), func(v *Snapshot) error {
		for _, id := range []string{seen[0], missed[499]} {
			bag, ok, err := Get[*ledger.Bag](v, event.Key{Kind: event.KindBag, ID: id})
			require.NoError(t, err)
			require.True(t, ok)
			require.Len(t, bag.Timeline, 2, id)
		}
		return nil
	}))
	r.requireRebuilt()
}

// A query that gives up before a change of rights has reached every entity leaves
// the rest to the next one.
func TestRefoldGoesOnAfterAQueryGaveUp(t *testing.T) {
	ix := &stopping{Index: index.NewMemory()}
	r := newRig(t, ix)
	for i := range 5 * refoldBatch {
		r.receive(r.device, fmt.Sprintf("BAG%d", i))
	}
	r.catchUp()
	r.world.Found(r.world.Device("south"))
	r.save()
	ctx, cancel := context.WithCancel(t.Context())
	ix.left, ix.stop = 2, cancel
	require.ErrorIs(t, r.CatchUp(ctx), context.Canceled)
	require.NotEmpty(t, r.rows("r"), "entities are left")
	r.requireRebuilt()
}

// stopping cancels after a few updates.
type stopping struct {
	index.Index
	left int
	stop func()
}

func (s *stopping) Update(fn func(index.Writer) error) error {
	if s.left--; s.left == 0 {
		s.stop()
	}
	return s.Index.Update(fn)
}

// A change of rights folds entities again in several updates, and the last one
// notes that it is done. One of them lost from the middle is done again.
func TestRefoldLostFromTheMiddle(t *testing.T) {
	const behind = 400 << 10
	trail := (&indextest.Trail{}).Reopened()
	r := newRig(t, trail, func(o *Options) { o.Behind = behind })
	founded := r.world.Found(r.device)
	for i := range 6 * refoldBatch {
		r.receive(r.device, fmt.Sprintf("BAG%d", i))
	}
	r.save()
	before := r.digest()
	flushed := trail.Len()
	r.device.Write(&pb.RightsRevoked{Grant: founded.Hash.String(), Reason: "left"})
	r.save()
	require.NotEqual(t, before, r.digest())
	require.Greater(t, trail.Len(), flushed+3)
	require.NotZero(t, r.cursor.rewound(behind).pos, "applying again does not fold all entities again")
	for cut := flushed; cut < trail.Len()-1; cut += testrun.Of(9, 3) {
		again := r.again(trail.Without(cut, cut+1).Reopened(), func(o *Options) { o.Behind, o.Unclean = behind, true })
		again.requireRebuilt()
	}
}

// With much behind, what this device wrote and what is urgent shows at once, and
// ordinary records of others wait; with little, all is caught up with.
func TestPriority(t *testing.T) {
	r := newRig(t, index.NewMemory())
	south := r.world.Device("south")
	r.receive(south, "LITTLE")
	r.save()
	shown := func(kind, id string) (ok bool) {
		require.NoError(t, r.ViewOwn(t.Context(), func(v *Snapshot) error {
			state, err := v.State(event.Key{Kind: kind, ID: id})
			ok = state != nil
			return err
		}))
		return ok
	}
	require.True(t, shown(event.KindBag, "LITTLE"))

	for i := range 2 * maxPriority {
		r.receive(south, fmt.Sprintf("THEIRS%d", i))
	}
	south.Write(&pb.BatchHeld{Product: "Q", Batch: "H-9", Reason: "the maker called"})
	r.receive(r.device, "MINE")
	r.save()
	cursor := r.cursor.pos
	require.True(t, shown(event.KindBag, "MINE"), "the record of this device")
	require.True(t, shown(event.KindBatch, event.BatchID("Q", "H-9")), "the hold of the other device")
	require.False(t, shown(event.KindBag, "THEIRS0"), "ordinary records of the other device wait")
	require.Equal(t, cursor, r.cursor.pos)
	r.receive(r.device, "MINE2")
	r.save()
	require.True(t, shown(event.KindBag, "MINE2"))
	r.requireRebuilt()
}
