package projection

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/testrun"
)

// However little is kept decoded, and however records come and are applied by turns,
// each is applied once it is asked for and the state is the one built at once.
func TestLittleIsKeptDecoded(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		r := newRig(t, index.NewMemory())
		r.Projection.backlog.most = rapid.IntRange(0, 3000).Draw(rt, "bytes")
		r.Projection.batch = rapid.IntRange(1, 8).Draw(rt, "batch")
		for step := range rapid.IntRange(1, 8).Draw(rt, "steps") {
			for i := range rapid.IntRange(0, 12).Draw(rt, "records") {
				r.receive(r.device, fmt.Sprintf("BAG%d-%d", step, i))
			}
			r.save()
			for range rapid.IntRange(0, 4).Draw(rt, "applied") {
				_, err := r.applyStep(r.journal.End())
				require.NoError(rt, err)
			}
		}
		require.NoError(rt, r.CatchUp(t.Context()))
		require.Zero(rt, r.Behind())
		require.Equal(rt, r.again(index.NewMemory()).digest(), r.digest())
	})
}

// The oldest records stay decoded, so that a push that ends soon is not read again.
func TestTheOldestStayDecoded(t *testing.T) {
	r := newRig(t, index.NewMemory())
	r.catchUp()
	r.Projection.backlog.most = 2000
	var first *event.Record
	for i := range 20 {
		rec := r.receive(r.device, fmt.Sprintf("BAG%d", i))
		if first == nil {
			first = rec
		}
	}
	r.save()
	kept := r.Projection.backlog.fresh
	require.Same(t, first, kept[0].rec)
	require.Less(t, len(kept), 20)
	require.Greater(t, len(kept), 2)
	r.requireRebuilt()
}
