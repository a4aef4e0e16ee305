package node

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"thawtrail/internal/clock"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
)

// supervised is a node of which only the supervision runs.
func supervised() *Node {
	return &Node{
		Replica: &replica.Replica{Clock: clock.NewManual(entrytest.Night), Log: slog.New(slog.DiscardHandler), Parts: &replica.Parts{}},
		health:  health.NewServer(),
	}
}

func (n *Node) healthOf(t *testing.T, part string) healthpb.HealthCheckResponse_ServingStatus {
	t.Helper()
	answer, err := n.health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: "thawtrail.part." + part})
	require.NoError(t, err)
	return answer.Status
}

// A part that fails is tried again, ever less often; what is wrong shows meanwhile
// and no longer once it runs.
func TestAPartIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := supervised()
		ctx, stop := context.WithCancel(t.Context())
		var tries atomic.Int64
		var mended atomic.Bool
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			n.supervise(ctx, Part{Name: "link", Run: func(ctx context.Context) error {
				tries.Add(1)
				if !mended.Load() {
					return errors.New("no such wire")
				}
				<-ctx.Done()
				return ctx.Err()
			}})
		}()
		time.Sleep(time.Hour)
		synctest.Wait()
		require.Greater(t, tries.Load(), int64(40), "it is tried all the time")
		require.Less(t, tries.Load(), int64(120), "but not in a hurry")
		down := n.Parts.Down()
		require.Len(t, down, 1)
		require.Equal(t, replica.PartDown{Part: "link", Problem: "no such wire", Since: entrytest.Night, Failures: tries.Load()}, down[0])
		require.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, n.healthOf(t, "link"))

		mended.Store(true)
		time.Sleep(2*lastTry + settled)
		synctest.Wait()
		require.Empty(t, n.Parts.Down())
		require.Equal(t, healthpb.HealthCheckResponse_SERVING, n.healthOf(t, "link"))
		stop()
		<-ended
		require.Empty(t, n.Parts.Down(), "a stop is no failure")
	})
}

// A part ends when there is nothing for it to do and when the replica is closed.
func TestAPartEnds(t *testing.T) {
	for _, err := range []error{nil, store.ErrClosed} {
		n := supervised()
		n.supervise(t.Context(), Part{Name: "pages", Run: func(context.Context) error { return err }})
		require.Empty(t, n.Parts.Down())
	}
}

// A fault of the program is not hidden behind another try.
func TestAPanicIsNotSwallowed(t *testing.T) {
	n := supervised()
	require.Panics(t, func() {
		n.supervise(t.Context(), Part{Name: "index", Run: func(context.Context) error { panic("a fault") }})
	})
}
