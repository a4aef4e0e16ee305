package replication_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// claims is a peer that answers a hello with beliefs and does nothing else.
type claims struct{ exchange.Beliefs }

func (c claims) Hello(context.Context, *pb.HelloRequest) (*pb.HelloResponse, error) {
	return &pb.HelloResponse{Beliefs: c.PB()}, nil
}

func (claims) Push(context.Context, *pb.PushRequest) (*pb.PushResponse, error) {
	return nil, errors.New("no more")
}

func (claims) Pull(context.Context, *pb.PullRequest) (replication.Incoming, error) {
	return nil, errors.New("no more")
}

func (claims) Keys(context.Context, *pb.KeysRequest) (*pb.KeysResponse, error) {
	return nil, errors.New("no more")
}

func (claims) Offer(context.Context, *pb.OfferRequest) (*pb.OfferResponse, error) {
	return nil, errors.New("no more")
}

func (claims) Close() error { return nil }

// logsBefore names n logs that stand before an own log in the order of ids, with the
// own log one record further than it is here.
func logsBefore(t *testing.T, n int, l *entrytest.Laptop) (held []exchange.HeldLog) {
	t.Helper()
	for _, own := range l.Replica.Store.OwnLogs() {
		h, ok := l.Replica.Store.HeldOne(own)
		require.True(t, ok)
		h.Tips = []exchange.Tip{{Seq: h.Tip().Seq + 5, Hash: event.Hash{9}}}
		held = append(held, h)
	}
	var other []exchange.HeldLog
	for i := range n {
		other = append(other, exchange.HeldLog{
			Log: event.Hash{0, 0, 0, byte(i >> 8), byte(i), 1}, Tips: []exchange.Tip{{Seq: 3, Hash: event.Hash{7}}},
			Lane: pb.Lane_LANE_ORDINARY,
		})
	}
	return append(other, held...)
}

// A laptop that lost records of its own log begins new logs however much else the
// two sides find different.
func TestLostRecordsAmongManyDifferences(t *testing.T) {
	for _, others := range []int{0, 300} {
		t.Run(fmt.Sprint(others), func(t *testing.T) {
			laptop, hub := entrytest.Named(t, "north car", 2), entrytest.Named(t, "clinic", 1)
			before := laptop.Replica.Store.OwnLogs()
			theirs := exchange.Beliefs{
				Protocol: exchange.Protocol, Key: hub.Replica.Store.PublicKey(), Hub: true, HubEpoch: "first",
				Held: logsBefore(t, others, laptop), WallUs: laptop.Clock.Now().UnixMicro(),
			}
			copy(theirs.Device[:], hub.Replica.Store.Device())
			link := replication.NewLink(laptop.Replica, "the hub", func(func()) (replication.Peer, error) { return claims{theirs}, nil }, replication.Memory{})
			ctx, stop := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- link.Run(ctx) }()
			require.Eventually(t, func() bool { return !slices.Equal(laptop.Replica.Store.OwnLogs(), before) }, 5*time.Second, 5*time.Millisecond)
			stop()
			require.NoError(t, <-ended)
		})
	}
}

// Whoever says that it holds more of the hub's log than the hub itself makes the
// hub do nothing, however often.
func TestAClaimOpensNoEpochOfTheHub(t *testing.T) {
	hub, member := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	hub.Begin()
	x := responder(t, hub)
	before := hub.Replica.Store.OwnLogs()
	b := exchange.Beliefs{Protocol: exchange.Protocol, Key: member.Replica.Store.PublicKey(), Name: "north car", Held: logsBefore(t, 0, hub)}
	copy(b.Device[:], member.Replica.Store.Device())
	for range 3 {
		_, err := x.Hello(t.Context(), &pb.HelloRequest{Beliefs: b.PB()})
		require.NoError(t, err)
	}
	require.Equal(t, before, hub.Replica.Store.OwnLogs())
}

// A hub whose store was put back from an older copy gets its own records from a
// laptop, before what the laptop wrote since, and then writes in new logs: no place
// of its log has two records.
func TestAHubThatLostRecordsIsGivenThem(t *testing.T) {
	hub, laptop, older := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "clinic", 1)
	hub.Hub, older.Hub = true, true
	require.Equal(t, hub.Replica.Store.OwnLogs(), older.Replica.Store.OwnLogs(), "a copy from before")
	hub.Begin()
	for _, log := range hub.Replica.Store.OwnLogs() {
		run, _, err := hub.Replica.Store.ReadRun(t.Context(), log, 0, exchange.MaxBatchBytes)
		require.NoError(t, err)
		_, err = laptop.Replica.Store.Ingest(t.Context(), []*pb.Run{run})
		require.NoError(t, err)
	}
	before := older.Replica.Store.OwnLogs()
	session(t, laptop, older)
	require.Eventually(t, func() bool { return older.Replica.Store.Records() == laptop.Replica.Store.Records() }, 10*time.Second, 5*time.Millisecond)
	older.Must(&pb.PlaceAdded{Name: "after the loss", Kind: pb.PlaceKind_PLACE_KIND_FREEZER})
	require.NotEqual(t, before, older.Replica.Store.OwnLogs(), "it writes in new logs")
	for _, log := range before {
		want, _ := hub.Replica.Store.HeldOne(log)
		got, _ := older.Replica.Store.HeldOne(log)
		require.Equal(t, want.Tips, got.Tips, "its old log has one end")
	}
}
