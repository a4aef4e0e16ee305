package store

import (
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// A run into a damaged log costs the reading of that log once, and what was read is
// not read again while nothing changes.
func TestADamagedLogIsNotScannedTwice(t *testing.T) {
	from, err := Open(t.Context(), memoryOptions(21, memfs.New(), index.NewMemory()))
	require.NoError(t, err)
	fs := memfs.New()
	to, err := Open(t.Context(), memoryOptions(22, fs, index.NewMemory()))
	require.NoError(t, err)
	for range 100 {
		_, err := from.Append(t.Context(), received("BAG", "P", "H-1"))
		require.NoError(t, err)
	}
	require.NoError(t, carry(t.Context(), from, to))
	require.NoError(t, to.CatchUp(t.Context()))
	log := from.OwnLogs()[0]
	places, err := to.projection.Places(log, 50, 1)
	require.NoError(t, err)
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(places[0].Pos.Offset)+40, 1))
	require.NoError(t, to.Scrub(t.Context()))

	_, err = from.Append(t.Context(), received("LATER", "P", "H-1"))
	require.NoError(t, err)
	tip, _ := from.Log(log)
	run, _, err := from.ReadRun(t.Context(), log, tip.Tip.Seq, 1<<20)
	require.NoError(t, err)
	var reads atomic.Int64
	fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Read {
			reads.Add(1)
		}
		return memfs.Fault{}
	})
	held, _ := to.HeldOne(log)
	require.Equal(t, []exchange.SeqRange{{From: 0, To: 49}, {From: 50, To: 50}}, held.Missing, "lost, and what it vouched for")
	once := reads.Swap(0)
	require.Greater(t, once, int64(100), "that is what a scan costs")
	to.HeldOne(log)
	require.Less(t, reads.Swap(0), int64(10), "nothing changed")
	results, err := to.Ingest(t.Context(), []*pb.Run{run})
	require.NoError(t, err)
	require.Equal(t, 1, results[0].Taken)
	require.Equal(t, tip.Tip, results[0].Tip.Tip)
	require.Less(t, reads.Swap(0), int64(20), "nor before the run came")
	again, _ := to.HeldOne(log)
	require.Equal(t, tip.Tip, again.Tip(), "what came is looked at")
	require.Equal(t, held.Missing, again.Missing)
	require.NoError(t, from.Close())
	require.NoError(t, to.Close())
}
