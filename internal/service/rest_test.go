package service

import (
	"context"
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
		given := 0
		done := make(chan struct{})
		go func() {
			defer close(done)
			rest(ctx, func() <-chan struct{} { return change }, func() { given++ })
		}()
		burst := func() {
			for range 10 {
				time.Sleep(restAfter / 2)
				change <- struct{}{}
			}
			synctest.Wait()
		}
		burst()
		require.Zero(t, given)
		time.Sleep(100 * restAfter)
		synctest.Wait()
		require.Equal(t, 1, given)
		burst()
		require.Equal(t, 1, given)
		time.Sleep(2 * restAfter)
		synctest.Wait()
		require.Equal(t, 2, given)
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
			rest(ctx, func() <-chan struct{} { return nil }, func() {})
		}()
		synctest.Wait()
		cancel()
		<-done
	})
}
