package node

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// It is calm once nothing has come for a while; where something always comes, at the
// latest; and at once when the program ends.
func TestCalm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		news := func(until time.Duration) func() <-chan struct{} {
			return func() <-chan struct{} {
				next := make(chan struct{})
				if time.Since(start) < until {
					time.AfterFunc(settleQuiet/2, func() { close(next) })
				}
				return next
			}
		}
		calm(t.Context(), news(4*settleQuiet), settleQuiet, settleLatest)
		require.Equal(t, 5*settleQuiet, time.Since(start))
		start = time.Now()
		calm(t.Context(), news(time.Hour), settleQuiet, settleLatest)
		require.Equal(t, settleLatest, time.Since(start))
		start = time.Now()
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		calm(ctx, news(time.Hour), settleQuiet, settleLatest)
		require.Zero(t, time.Since(start))
		synctest.Wait()
	})
}
