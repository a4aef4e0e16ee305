package store

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
)

// What this device wrote and what is urgent shows at once while much of other
// devices waits; the state in the end is the state from scratch.
func TestOwnRecordsDoNotWait(t *testing.T) {
	for seed := range uint64(testrun.Of(2, 10)) {
		r := rand.New(rand.NewPCG(seed, 7))
		opt := memoryOptions(60, memfs.New(), index.NewMemory())
		s, err := Open(t.Context(), opt)
		require.NoError(t, err)
		peer := openMemory(t, 61)
		for i := range 2 * 256 {
			_, err := peer.Append(t.Context(), received(fmt.Sprintf("PEER%d", i), "P", "H-1"))
			require.NoError(t, err)
		}
		_, err = peer.Append(t.Context(), hold("P", "H-1"))
		require.NoError(t, err)
		for range 40 {
			_, err := s.Append(t.Context(), mixed(r, nil))
			require.NoError(t, err)
		}
		give(t, peer, s)
		_, err = s.Append(t.Context(), received("MINE", "P", "H-1"))
		require.NoError(t, err)

		require.NoError(t, s.ViewOwn(t.Context(), func(v *Snapshot) error {
			mine, err := v.State(event.Key{Kind: event.KindBag, ID: "MINE"})
			require.NoError(t, err)
			require.NotNil(t, mine, "the record of this device")
			batch, ok, err := Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: event.BatchID("P", "H-1")})
			require.NoError(t, err)
			require.True(t, ok)
			require.NotEmpty(t, batch.Standing(), "the hold of the other device")
			theirs, err := v.State(event.Key{Kind: event.KindBag, ID: "PEER0"})
			require.NoError(t, err)
			require.Nil(t, theirs, "ordinary records of the other device wait")
			return nil
		}))
		for range 20 {
			_, err := s.Append(t.Context(), mixed(r, nil))
			require.NoError(t, err)
			if r.IntN(3) == 0 {
				require.NoError(t, s.projection.ApplyPriority(t.Context()))
			}
		}
		requireRebuilt(t, s, opt)
		require.NoError(t, s.Close())
	}
}

func TestViewOwnCatchesUpWithLittle(t *testing.T) {
	s, peer := openMemory(t, 62), openMemory(t, 63)
	_, err := peer.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	give(t, peer, s)
	require.NoError(t, s.ViewOwn(t.Context(), func(v *Snapshot) error {
		got, err := v.State(event.Key{Kind: event.KindBag, ID: "BAG1"})
		require.NotNil(t, got)
		return err
	}))
}
