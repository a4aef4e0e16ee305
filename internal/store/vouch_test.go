package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// A server lost the one signature that vouched for the beginning of a log, and the
// laptop that wrote it was put back to where it held no more than its opening. The
// opening still reaches everybody: the laptop signs for it.
func TestWhatNobodyVouchesForIsFetchedAgain(t *testing.T) {
	disk, hubDisk := memfs.New(), memfs.New()
	laptop, err := Open(t.Context(), memoryOptions(41, disk, index.NewMemory()))
	require.NoError(t, err)
	older := disk.CrashClone(memfs.Keep)
	log := laptop.OwnLogs()[0]
	recs, err := laptop.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	hub, err := Open(t.Context(), memoryOptions(42, hubDisk, index.NewMemory()))
	require.NoError(t, err)
	give(t, laptop, hub)
	require.NoError(t, laptop.Close())

	require.NoError(t, hub.CatchUp(t.Context()))
	end := positionOf(t, hub, recs[1])
	require.NoError(t, hubDisk.Flip("replica/journal/0000000001.journal", int(end.Offset)+20, 1))
	require.NoError(t, hub.Scrub(t.Context()))
	h, _ := hub.HeldOne(log)
	require.Equal(t, []exchange.Tip{{Seq: 1, Hash: recs[0].Hash}}, h.Tips, "whose log it is must still see where it ended")
	require.Equal(t, []exchange.SeqRange{{From: 0, To: 1}}, h.Missing)

	restored, err := Open(t.Context(), memoryOptions(41, older, index.NewMemory()))
	require.NoError(t, err)
	other := openMemory(t, 43)
	meet(t, restored, hub)
	meet(t, other, hub)
	require.True(t, other.Holds(log, exchange.Tip{Hash: event.Hash(log)}), "the opening came to the other laptop")
	h, _ = hub.HeldOne(log)
	require.Equal(t, []exchange.SeqRange{{From: 1, To: 1}}, h.Missing)
	require.NoError(t, hub.Close())
	require.NoError(t, restored.Close())
}

// A write that was torn leaves records whose signature never came. After the next
// start they are bare too, although nothing is damaged.
func TestATornWriteLeavesNothingUnvouched(t *testing.T) {
	laptop := openMemory(t, 44)
	_, err := laptop.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	log, disk := laptop.OwnLogs()[0], memfs.New()
	hub, err := Open(t.Context(), memoryOptions(45, disk, index.NewMemory()))
	require.NoError(t, err)
	before := hub.truth.End()
	run, _, err := laptop.ReadRun(t.Context(), log, 0, exchange.MaxBatchBytes)
	require.NoError(t, err)
	c := exchange.Check(run, exchange.LogState{})
	frames := [][]byte{c.Accept[0].Wire(), c.Accept[1].Wire()} // the third, signed one was not written
	_, err = hub.truth.Commit(frames)
	require.NoError(t, err)
	require.NotEqual(t, before, hub.truth.End())
	require.NoError(t, hub.Close())

	hub, err = Open(t.Context(), memoryOptions(45, disk, index.NewMemory()))
	require.NoError(t, err)
	h, _ := hub.HeldOne(log)
	require.Equal(t, []exchange.SeqRange{{From: 0, To: 1}}, h.Missing)
	give(t, laptop, hub)
	h, _ = hub.HeldOne(log)
	require.Empty(t, h.Missing)
	require.EqualValues(t, 2, h.Tip().Seq)
	require.NoError(t, hub.Close())
}

// A run begins where it was asked for, or there is none: one that began behind a gap
// would be refused as often as it is sent.
func TestARunBeginsWhereItWasAskedFor(t *testing.T) {
	disk := memfs.New()
	s, err := Open(t.Context(), memoryOptions(46, disk, index.NewMemory()))
	require.NoError(t, err)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	at := positionOf(t, s, recs[0])
	require.NoError(t, disk.Flip("replica/journal/0000000001.journal", int(at.Offset)+20, 1))
	require.NoError(t, s.Close())
	s, err = Open(t.Context(), memoryOptions(46, disk, index.NewMemory())) // without a place for the damaged record
	require.NoError(t, err)
	for from, want := range []int{1, 0, 1} {
		run, _, err := s.ReadRun(t.Context(), recs[0].Log, uint64(from), exchange.MaxBatchBytes)
		require.NoError(t, err)
		require.Len(t, run.GetRecords(), want, "from %d", from)
	}
	require.NoError(t, s.Close())
}

// positionOf is where a record lies.
func positionOf(t *testing.T, s *Store, r *event.Record) journal.Position {
	places, err := s.projection.Places(r.Log, r.Seq(), 1)
	require.NoError(t, err)
	require.Len(t, places, 1)
	return places[0].Pos
}
