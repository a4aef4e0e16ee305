package node

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
)

// The journal is read soon after a start and once a day, until the stop.
func TestScrubSoonAndDaily(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var reads atomic.Int64
		done := make(chan error)
		go func() {
			done <- scrubDaily(ctx, func(context.Context) error {
				reads.Add(1)
				return nil
			})
		}()
		for i, wait := range []time.Duration{scrubFirst - time.Second, 2 * time.Second, scrubEvery, scrubEvery} {
			time.Sleep(wait)
			synctest.Wait()
			require.Equal(t, int64(i), reads.Load())
		}
		cancel()
		require.NoError(t, <-done)
	})
}

// What stands beside the journal is read when the journal is, and a failure is told.
func TestWhatStandsBesideTheJournalIsRead(t *testing.T) {
	n := &Node{Replica: entrytest.New(t).Replica}
	require.NoError(t, n.readThrough(t.Context()))
	failed := errors.New("it cannot be written")
	n.Reread = func(context.Context) error { return failed }
	require.ErrorIs(t, n.readThrough(t.Context()), failed)
}
