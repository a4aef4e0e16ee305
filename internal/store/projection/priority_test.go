package projection

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	pb "thawtrail/proto/thawtrail/v1"
)

// What was applied with priority stays shown while the cursor comes to it, also when
// the first record out of turn is the first one in turn.
func TestWhatWasShownWithPriorityStaysShown(t *testing.T) {
	r := newRig(t, index.NewMemory())
	south := r.world.Device("south")
	r.receive(south, "OLD")
	r.catchUp()

	r.receive(r.device, "MINE") // touches the batch; next to apply, with priority and in turn
	for i := range 3 * maxPriority {
		r.receive(south, fmt.Sprintf("THEIRS%d", i))
	}
	hold := south.Write(&pb.BatchHeld{Product: "P", Batch: "H-1", Reason: "the maker called"})
	r.save()
	held := func() (is bool) {
		r.look(func(v *Snapshot) error {
			batch, ok, err := Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: event.BatchID("P", "H-1")})
			is = ok && len(batch.Standing()) == 1 && batch.Holds[0].Stamp.Record == hold.Hash
			return err
		})
		return is
	}
	require.NoError(t, r.ApplyPriority(t.Context()))
	require.True(t, held(), "it shows at once")
	for more := true; more; {
		var err error
		more, err = r.applyStep(r.journal.End())
		require.NoError(t, err)
		require.True(t, held(), "it shows with the cursor at %s", r.cursor.pos)
	}
	r.requireRebuilt()
}
