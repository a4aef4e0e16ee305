package replication_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// session joins a laptop to a hub without a network until the test ends.
func session(t *testing.T, laptop, hub *entrytest.Laptop) *replication.Link {
	t.Helper()
	link, stop := running(t, laptop, hub)
	t.Cleanup(stop)
	return link
}

// running is a link at work until it is stopped. The laptop's clock goes on meanwhile:
// a link waits by it before it tries again.
func running(t *testing.T, laptop, hub *entrytest.Laptop) (link *replication.Link, stop func()) {
	t.Helper()
	link = replicationtest.Join(laptop.Replica, hub.Replica, t.Context().Done())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- link.Run(ctx) }()
	go func() {
		const tick = 10 * time.Millisecond
		ticks := time.NewTicker(tick)
		defer ticks.Stop()
		for ctx.Err() == nil {
			<-ticks.C
			laptop.Clock.Advance(tick)
		}
	}()
	return link, func() {
		cancel()
		require.NoError(t, <-ended)
	}
}

func digest(t *testing.T, l *entrytest.Laptop) string {
	t.Helper()
	out, err := l.GetDigest(t.Context(), &pb.GetDigestRequest{})
	require.NoError(t, err)
	return out.Digest
}

// A session in one process, with the production code of both sides and no network:
// what each writes reaches the other, and their folded states are the same bytes.
func TestASessionWithoutANetwork(t *testing.T) {
	hub, north, south := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "south car", 3)
	hub.Hub = true
	hub.Begin()
	session(t, north, hub)
	session(t, south, hub)
	require.Eventually(t, func() bool {
		return digest(t, north) == digest(t, hub) && digest(t, south) == digest(t, hub)
	}, 10*time.Second, 5*time.Millisecond)
	north.Foal()
	south.Must(&pb.NoteAdded{EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: "the lid sticks"}})
	require.Eventually(t, func() bool {
		return digest(t, north) == digest(t, hub) && digest(t, south) == digest(t, hub) && hub.Store.Records() == south.Store.Records()
	}, 10*time.Second, 5*time.Millisecond)
	require.Eventually(t, func() bool { return north.Unsent() == 0 }, 10*time.Second, 5*time.Millisecond, "the hub acknowledges what north wrote")
}

// A server that cannot be reached is told in words, and tried again.
func TestALinkSaysWhyItIsDown(t *testing.T) {
	laptop := entrytest.New(t)
	link := replication.NewLink(laptop.Replica, "the hub", func(func()) (replication.Peer, error) { return nil, errors.New("no signal here") }, replication.Memory{})
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- link.Run(ctx) }()
	require.Eventually(t, func() bool { return link.State() == "not connected: no signal here" }, 10*time.Second, 5*time.Millisecond)
	stop()
	require.NoError(t, <-ended)
}
