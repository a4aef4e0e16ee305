package node

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// Memory is given back once after each burst of changes, never during one, and
// never again while nothing happens.
func TestRestOncePerBurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		change := make(chan struct{})
		var given atomic.Int64
		done := make(chan struct{})
		go func() {
			defer close(done)
			releaseAfterBursts(ctx, func() <-chan struct{} { return change }, func() { given.Add(1) })
		}()
		burst := func() {
			for range 10 {
				time.Sleep(idleAfter / 2)
				change <- struct{}{}
			}
			synctest.Wait()
		}
		burst()
		require.Zero(t, given.Load())
		time.Sleep(100 * idleAfter)
		synctest.Wait()
		require.Equal(t, int64(1), given.Load())
		burst()
		require.Equal(t, int64(1), given.Load())
		time.Sleep(2 * idleAfter)
		synctest.Wait()
		require.Equal(t, int64(2), given.Load())
		cancel()
		<-done
	})
}

func TestRestEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			releaseAfterBursts(ctx, func() <-chan struct{} { return nil }, func() {})
		}()
		synctest.Wait()
		cancel()
		<-done
	})
}
