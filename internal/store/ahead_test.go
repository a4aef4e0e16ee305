package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// aheadRun is a run of a laptop's ordinary log, whole.
func aheadRun(t *testing.T, laptop *Store) *pb.Run {
	t.Helper()
	run, _, err := laptop.ReadRun(t.Context(), laptop.OwnLogs()[0], 0, exchange.MaxBatchBytes)
	require.NoError(t, err)
	return run
}

// What was found of a run before its turn counts no more once its log has moved: the
// run that came twice is taken once, and what a fork makes of it is seen.
func TestWhatWasFoundAheadDoesNotOutliveAChange(t *testing.T) {
	laptop, hub := openMemory(t, 80), openMemory(t, 81)
	for i := range 3 {
		_, err := laptop.Append(t.Context(), received(fmt.Sprint("BAG", i), "P", "H-1"))
		require.NoError(t, err)
	}
	runs := []*pb.Run{aheadRun(t, laptop)}
	late := &write{runs: runs, rank: rankRuns, done: make(chan struct{})}
	late.ahead = hub.checkAhead(runs)
	require.True(t, late.ahead[0].counts)
	results, err := hub.Ingest(t.Context(), runs)
	require.NoError(t, err)
	require.Equal(t, 4, results[0].Taken)
	before := hub.Records()
	hub.submit(late)
	require.NoError(t, late.err)
	require.Zero(t, late.results[0].Taken)
	require.Equal(t, before, hub.Records())
}

// Two runs of one log in one call are not verified apart: the second follows the first.
func TestRunsOfOneLogInOneCall(t *testing.T) {
	laptop, hub := openMemory(t, 82), openMemory(t, 83)
	for i := range 4 {
		_, err := laptop.Append(t.Context(), received(fmt.Sprint("BAG", i), "P", "H-1"))
		require.NoError(t, err)
	}
	whole := aheadRun(t, laptop)
	first := &pb.Run{Log: whole.Log, From: 0, Records: whole.Records[:2]}
	second := &pb.Run{Log: whole.Log, From: 2, Records: whole.Records[2:]}
	results, err := hub.Ingest(t.Context(), []*pb.Run{first, second})
	require.NoError(t, err)
	require.Nil(t, results[0].Refused)
	require.Nil(t, results[1].Refused)
	require.Equal(t, []int{2, 3}, []int{results[0].Taken, results[1].Taken})
}

// A spoiled run is refused whatever was looked at before its turn.
func TestASpoiledRunIsRefused(t *testing.T) {
	laptop, hub := openMemory(t, 84), openMemory(t, 85)
	_, err := laptop.Append(t.Context(), received("BAG", "P", "H-1"))
	require.NoError(t, err)
	run := aheadRun(t, laptop)
	last := append([]byte{}, run.Records[1]...)
	last[len(last)-1] ^= 1
	run.Records[1] = last
	results, err := hub.Ingest(t.Context(), []*pb.Run{run})
	require.NoError(t, err)
	require.NotNil(t, results[0].Refused)
	require.Zero(t, results[0].Taken)
}

// Whoever enters something goes before what laptops exchange, and what is urgent among
// that before the rest; each in the order in which it came.
func TestEntriesGoFirst(t *testing.T) {
	var q writeQueue
	name := map[*write]string{}
	for i, rank := range []int{rankRuns, rankUrgent, rankEntry, rankRuns, rankEntry, rankUrgent} {
		w := &write{rank: rank}
		name[w] = fmt.Sprint(rank, "-", i)
		q.add(w)
	}
	var order [][]string
	for group := q.take(); len(group) > 0; group = q.take() {
		var names []string
		for _, w := range group {
			names = append(names, name[w])
		}
		order = append(order, names)
	}
	require.Equal(t, [][]string{{"0-2", "0-4"}, {"1-1", "1-5"}, {"2-0", "2-3"}}, order)
	require.Zero(t, q.len())
}

// Of what laptops exchange no more is saved at a time than a person may wait for: an
// entry that comes meanwhile goes before the rest.
func TestAnEntryWaitsForFewRuns(t *testing.T) {
	var q writeQueue
	for range 8 {
		q.add(&write{rank: rankRuns, bytes: exchange.MaxBatchBytes})
	}
	require.Len(t, q.take(), 1)
	q.add(&write{rank: rankEntry})
	require.Equal(t, rankEntry, q.take()[0].rank)
	require.Len(t, q.take(), 1)
	require.Equal(t, 6, q.len())
}
