package replication_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// responder is the hub's half of the exchange.
func responder(t *testing.T, hub *entrytest.Laptop) *replication.Responder {
	t.Helper()
	return replicationtest.Responder(hub.Replica, t.Context().Done())
}

// pull opens a stream as a laptop and tells how it ended.
func pull(ctx context.Context, x *replication.Responder, l *entrytest.Laptop) (ended <-chan error) {
	stream, err := replicationtest.Direct{Responder: x}.Pull(ctx, &pb.PullRequest{
		Device: event.DeviceID(l.Replica.Store.PublicKey()), Held: exchange.HeldPB(l.Replica.Store.Held()),
	})
	out := make(chan error, 1)
	go func() {
		for err == nil {
			_, err = stream.Recv()
		}
		out <- err
	}()
	return out
}

// Two laptops that open as many streams as their links carry take no place from a
// third: a newer stream of a laptop ends its oldest one.
func TestALaptopHasAFewStreams(t *testing.T) {
	hub, greedy, other := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "south car", 3)
	hub.Hub = true
	x := responder(t, hub)
	steady := pull(t.Context(), x, other)
	require.Eventually(t, func() bool { return x.Streams() == 1 }, 10*time.Second, time.Millisecond)
	var ends []<-chan error
	for range 3 * replication.MaxPullsOfDevice {
		ends = append(ends, pull(t.Context(), x, greedy))
		// Its place in the order is known once the oldest has ended.
		if oldest := len(ends) - 1 - replication.MaxPullsOfDevice; oldest >= 0 {
			require.ErrorContains(t, <-ends[oldest], "a newer stream of this laptop")
		}
		require.Eventually(t, func() bool {
			return x.Streams() == 1+min(len(ends), replication.MaxPullsOfDevice)
		}, 10*time.Second, time.Millisecond)
	}
	for _, ended := range append(ends[2*replication.MaxPullsOfDevice:], steady) {
		select {
		case err := <-ended:
			require.Fail(t, "it is open", "%v", err)
		default:
		}
	}
}

// A laptop that never reads holds a bounded number of streams: what is on its way
// cannot be taken back, so no more is begun.
func TestASilentReaderHoldsFewStreams(t *testing.T) {
	hub, silent, other := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "south car", 3)
	hub.Hub = true
	hub.Begin()
	x := responder(t, hub)
	refused := 0
	for range 300 {
		ended := make(chan error, 1)
		go func() {
			ended <- x.Pull(t.Context(), &pb.PullRequest{Device: event.DeviceID(silent.Replica.Store.PublicKey())}, deaf{t.Context()})
		}()
		select {
		case err := <-ended:
			require.ErrorContains(t, err, "streams of this laptop")
			refused++
		case <-time.After(2 * time.Millisecond):
		}
	}
	require.Positive(t, refused)
	require.LessOrEqual(t, x.Streams(), 16)
	open := x.Streams()
	pull(t.Context(), x, other)
	require.Eventually(t, func() bool { return x.Streams() == open+1 }, 10*time.Second, time.Millisecond, "another laptop is served")
}

// deaf takes nothing until its link ends, whatever becomes of the stream.
type deaf struct{ link context.Context }

func (d deaf) Send(*pb.PullResponse) error {
	<-d.link.Done()
	return d.link.Err()
}

func (d deaf) SendShared(*replication.Encoded, func() *pb.PullResponse) error { return d.Send(nil) }
