package replication

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
)

// A laptop that slept ends its session and its waiting at once: timers stood
// still meanwhile, the wall clock did not.
func TestWakeEndsSessionAndWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := clock.NewManual(time.Now())
		l := &Link{clock: c}
		stopped := make(chan struct{})
		go func() { // the wall clock runs with the timers, until the lid is shut
			tick := time.NewTicker(time.Second)
			defer tick.Stop()
			for range 60 {
				<-tick.C
				c.Advance(time.Second)
			}
			close(stopped)
		}()
		ended := make(chan error, 1)
		go func() { ended <- l.watchSleep(t.Context()) }()
		waited := make(chan bool, 1)
		go func() { waited <- l.pause(t.Context(), time.Hour) }()
		<-stopped
		select {
		case err := <-ended:
			require.NoError(t, err, "an awake minute ends nothing")
		default:
		}
		c.Advance(3 * time.Hour) // the lid
		require.ErrorIs(t, <-ended, errWoke)
		require.False(t, <-waited, "waiting is not slept through")
	})
}
