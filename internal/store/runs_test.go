package store

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// A run that is read without decoding is the one that is read with it, from wherever
// it begins and however much may go; a log with a fork or a gap is decoded.
func TestRunsAreReadAlikeUndecoded(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	laptop := openMemory(t, 70)
	for i := range 300 {
		_, err := laptop.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", fmt.Sprint("H-", i)))
		require.NoError(t, err)
	}
	disk := memfs.New()
	hub, err := Open(t.Context(), memoryOptions(71, disk, index.NewMemory()))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, hub.Close()) })
	log := laptop.OwnLogs()[0]
	for from := uint64(0); ; { // keeps few of the signatures
		run, next, err := laptop.ReadRun(t.Context(), log, from, exchange.MaxBatchBytes)
		require.NoError(t, err)
		if run == nil {
			break
		}
		_, err = hub.Ingest(t.Context(), []*pb.Run{run})
		require.NoError(t, err)
		from = next
	}
	undecoded := 0
	for range testrun.Of(200, 1000) {
		s := []*Store{laptop, hub}[r.IntN(2)]
		from, most := r.Uint64N(320), 1+r.IntN(200_000)
		got, next, err := s.ReadRun(t.Context(), log, from, most)
		require.NoError(t, err)
		want, wantNext := decodedRun(t, s, log, from, most)
		require.Equal(t, wantNext, next)
		require.Equal(t, want.GetRecords(), got.GetRecords())
		undecoded += len(got.GetRecords())
	}
	require.Greater(t, undecoded, 1000)
}

// decodedRun is the run of records that are decoded.
func decodedRun(t *testing.T, s *Store, log event.LogID, from uint64, most int) (*pb.Run, uint64) {
	recs, err := s.readRecords(t.Context(), log, from, most, nil)
	require.NoError(t, err)
	cut, next := exchange.CutRun(recs, most)
	if len(cut) == 0 {
		return nil, from
	}
	run := &pb.Run{From: from}
	for _, r := range cut {
		run.Records = append(run.Records, r.Wire())
	}
	return run, next
}
