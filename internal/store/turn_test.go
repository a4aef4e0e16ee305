package store

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// Work in bulk waits for its turn, to verify what comes and to fold it; what a person writes
// and asks waits for none, while others have all the turns.
func TestBulkTakesTurns(t *testing.T) {
	laptop := openMemory(t, 90)
	for i := range 2 * inBulk >> 10 {
		_, err := laptop.Append(t.Context(), received(fmt.Sprint("BAG", i), strings.Repeat("P", 900), "H-1"))
		require.NoError(t, err)
	}
	var free atomic.Bool
	var waits, taken atomic.Int64
	opt := memoryOptions(91, memfs.New(), index.NewMemory())
	turns := make(chan struct{}, 1)
	opt.Turn = func() func() {
		waits.Add(1)
		turns <- struct{}{}
		taken.Add(1)
		require.True(t, free.Load(), "nobody takes a turn that another has")
		return func() { <-turns }
	}
	hub, err := Open(t.Context(), opt)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, hub.Close()) })

	turns <- struct{}{} // another practice works
	_, err = hub.Append(t.Context(), received("OWN", "P", "H-2"))
	require.NoError(t, err)
	require.NoError(t, hub.CatchUp(t.Context()))
	require.Zero(t, waits.Load(), "a person waits for no turn")

	run, _, err := laptop.ReadRun(t.Context(), laptop.OwnLogs()[0], 0, exchange.MaxBatchBytes)
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() {
		_, err := hub.Ingest(t.Context(), []*pb.Run{run})
		done <- err
	}()
	require.Eventually(t, func() bool { return waits.Load() == 1 }, 30*time.Second, time.Millisecond)
	_, err = hub.Append(t.Context(), received("SECOND", "P", "H-2"))
	require.NoError(t, err, "nor while bulk of its own practice waits")
	free.Store(true)
	<-turns
	require.NoError(t, <-done)
	require.NoError(t, hub.CatchUp(t.Context()))
	require.Greater(t, taken.Load(), int64(1), "the fold takes turns too")
}
