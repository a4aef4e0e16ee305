package node

import (
	"context"
	"crypto/rand"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
)

// The journal is read soon after a start and once a day, until the stop.
func TestScrubSoonAndDaily(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var reads atomic.Int64
		done := make(chan error)
		go func() {
			done <- repeat(ctx, scrubFirst, scrubEvery, func(context.Context) error {
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

// Records that the disk could not read at the start are taken back by a program that
// runs on, some minutes after the disk is well again.
func TestUnreadRecordsAreTakenBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := memfs.New()
		first, err := entrytest.On(t, "north car", 2, rand.Reader, disk, index.NewMemory())
		require.NoError(t, err)
		first.Begin()
		records := first.Store.Records()
		require.NoError(t, first.Store.Close())
		disk.SetHook(func(op memfs.Op) (f memfs.Fault) {
			if op.Kind == memfs.Read {
				f.Err = errors.New("input/output error")
			}
			return f
		})
		again, err := entrytest.On(t, "north car", 2, rand.Reader, disk, index.NewMemory())
		require.NoError(t, err)
		n := &Node{Replica: again.Replica}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- n.takeBack(ctx) }()
		time.Sleep(unreadEvery + time.Second)
		require.Less(t, n.Store.Records(), records)
		disk.SetHook(nil)
		time.Sleep(unreadEvery)
		require.GreaterOrEqual(t, n.Store.Records(), records)
		stop()
		require.NoError(t, <-done)
		require.NoError(t, n.Store.Close())
	})
}
