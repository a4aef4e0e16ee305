package replication_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	pb "thawtrail/proto/thawtrail/v1"
)

func saysTwice(words []string) bool {
	return slices.ContainsFunc(words, func(s string) bool { return strings.HasPrefix(s, "device_twice:") })
}

// Two live copies of one laptop: both are told at once, and so is the hub; and each
// is sent what the other one pushed, a hold above all.
func TestTwoCopiesOfOneFolder(t *testing.T) {
	hub, one, two := entrytest.Named(t, "clinic", 1), entrytest.Booted(t, "north car", 2, 20), entrytest.Booted(t, "north car", 2, 21)
	hub.Hub = true
	hub.Begin()
	x := responder(t, hub)
	first, _ := linked(t, one, &tapped{Peer: replicationtest.Direct{Responder: x}})
	require.Eventually(t, func() bool { return digest(t, one) == digest(t, hub) }, 10*time.Second, 5*time.Millisecond)
	require.False(t, saysTwice(first.Differences()))
	second, _ := linked(t, two, &tapped{Peer: replicationtest.Direct{Responder: x}})
	require.Eventually(t, func() bool {
		one.Clock.Advance(5 * time.Millisecond) // it waits a moment before it comes back
		return saysTwice(first.Differences()) && saysTwice(second.Differences()) && saysTwice(x.Differences())
	}, 5*time.Second, 5*time.Millisecond)
	require.Eventually(t, func() bool { return first.State() == "connected" && second.State() == "connected" }, 10*time.Second, 5*time.Millisecond)
	one.Must(&pb.BatchHeld{Product: "foal plasma", Batch: "H-2207", Reason: "one foal shook"})
	require.Eventually(t, func() bool { return digest(t, two) == digest(t, one) }, 5*time.Second, 5*time.Millisecond, "the hold reaches the copy")

	out, err := hub.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true, Kind: ledger.DeviceTwice})
	require.NoError(t, err)
	require.Len(t, out.Discrepancies, 1, "the owner reads of it, also when both are gone")
	require.Len(t, out.Discrepancies[0].Records, 1, "once for the two boots")
	require.Contains(t, out.Discrepancies[0].Entity, "north car")
}

// However many copies are made of one key, a few records say so.
func TestFewRecordsTellOfCopies(t *testing.T) {
	hub := entrytest.Named(t, "clinic", 1)
	hub.Hub = true
	hub.Begin()
	one := entrytest.Booted(t, "north car", 2, 20)
	x := responder(t, hub)
	run, _, err := one.Replica.Store.ReadRun(t.Context(), one.Replica.Store.OwnLogs()[0], 0, exchange.MaxBatchBytes)
	require.NoError(t, err)
	_, err = x.Push(t.Context(), &pb.PushRequest{Device: one.Replica.Store.Device(), Runs: []*pb.Run{run}})
	require.NoError(t, err)
	for boot := byte(30); boot < 50; boot++ {
		other := entrytest.Booted(t, "north car", 2, boot)
		for range 2 {
			for _, l := range []*entrytest.Laptop{one, other} {
				_, open := visit(t, x, l)
				open()()
			}
		}
	}
	out, err := hub.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true, Kind: ledger.DeviceTwice})
	require.NoError(t, err)
	require.Len(t, out.Discrepancies, 1)
	require.Len(t, out.Discrepancies[0].Records, 8)
}

// visit says hello as a boot of a laptop and opens a stream.
func visit(t *testing.T, x *replication.Responder, l *entrytest.Laptop) (session uint64, open func() (end func())) {
	t.Helper()
	b := exchange.Beliefs{Protocol: exchange.Protocol, Key: l.Replica.Store.PublicKey(), Name: "north car", Boot: string(l.Replica.Store.Boot())}
	copy(b.Device[:], l.Replica.Store.Device())
	answer, err := x.Hello(t.Context(), &pb.HelloRequest{Beliefs: b.PB()})
	require.NoError(t, err)
	return answer.Session, func() func() {
		before := x.Streams()
		ctx, end := context.WithCancel(t.Context())
		go func() {
			_ = x.Pull(ctx, &pb.PullRequest{Device: event.DeviceID(l.Replica.Store.PublicKey()), Session: answer.Session}, drain{})
		}()
		require.Eventually(t, func() bool { return x.Streams() > before }, 10*time.Second, time.Millisecond)
		return func() {
			end()
			require.Eventually(t, func() bool { return x.Streams() <= before }, 10*time.Second, time.Millisecond)
		}
	}
}

// drain takes what comes.
type drain struct{}

func (drain) Send(*pb.PullResponse) error                                    { return nil }
func (drain) SendShared(*replication.Encoded, func() *pb.PullResponse) error { return nil }

// A laptop that was started again is one laptop, however often, also while its old
// link is open and when a message of before comes late.
func TestARestartIsNoCopy(t *testing.T) {
	hub := entrytest.Named(t, "clinic", 1)
	hub.Hub = true
	x := responder(t, hub)
	for boot := byte(20); boot < 26; boot++ {
		l := entrytest.Booted(t, "north car", 2, boot)
		for range 2 {
			_, open := visit(t, x, l)
			open()()
		}
		_, late := visit(t, x, l)
		next := entrytest.Booted(t, "north car", 2, boot+100)
		_, open := visit(t, x, next)
		open()()
		late()() // it was on its way when the program ended
		require.Empty(t, x.Differences())
	}
}

// gated lets a message through when it is told to, and keeps the logs that came.
type gated struct {
	let  chan struct{}
	logs chan []byte
}

func (g gated) Send(m *pb.PullResponse) error {
	<-g.let
	for _, run := range m.Runs {
		g.logs <- run.Log
	}
	return nil
}

func (g gated) SendShared(_ *replication.Encoded, message func() *pb.PullResponse) error {
	return g.Send(message())
}

// What one copy pushes is not taken for held by the other one, whose stream was busy
// at that moment.
func TestACopyIsSentWhatItsTwinPushed(t *testing.T) {
	hub, one, two := entrytest.Named(t, "clinic", 1), entrytest.Booted(t, "north car", 2, 20), entrytest.Booted(t, "north car", 2, 21)
	hub.Hub = true
	x := responder(t, hub)
	session, _ := visit(t, x, one)
	copied, _ := visit(t, x, two)
	device := event.DeviceID(one.Replica.Store.PublicKey())
	busy := gated{let: make(chan struct{}), logs: make(chan []byte, 100)}
	go func() { _ = x.Pull(t.Context(), &pb.PullRequest{Device: device, Session: copied}, busy) }()
	require.Eventually(t, func() bool { return x.Streams() == 1 }, 10*time.Second, time.Millisecond)
	one.Begin()
	pushed := one.Replica.Store.OwnLogs()[0]
	run, _, err := one.Replica.Store.ReadRun(t.Context(), pushed, 0, exchange.MaxBatchBytes)
	require.NoError(t, err)
	_, err = x.Push(t.Context(), &pb.PushRequest{Device: device, Session: session, Runs: []*pb.Run{run}})
	require.NoError(t, err)
	close(busy.let)
	for {
		select {
		case log := <-busy.logs:
			if string(log) == string(pushed[:]) {
				return
			}
		case <-time.After(5 * time.Second):
			require.Fail(t, "the copy is not sent what its twin pushed")
		}
	}
}

// A copy pushes back the beginning of a log that its twin opened, when more of that
// log has come from the twin already: the rest is still sent to it.
func TestACopyHoldsOnlyWhatItPushed(t *testing.T) {
	hub, one, two := entrytest.Named(t, "clinic", 1), entrytest.Booted(t, "north car", 2, 20), entrytest.Booted(t, "north car", 2, 21)
	hub.Hub = true
	x := responder(t, hub)
	session, _ := visit(t, x, one)
	copied, _ := visit(t, x, two)
	device := event.DeviceID(one.Replica.Store.PublicKey())
	one.Begin()
	pushed := one.Replica.Store.OwnLogs()[0]
	push := func(session uint64, bytes int) {
		t.Helper()
		run, _, err := one.Replica.Store.ReadRun(t.Context(), pushed, 0, bytes)
		require.NoError(t, err)
		_, err = x.Push(t.Context(), &pb.PushRequest{Device: device, Session: session, Runs: []*pb.Run{run}})
		require.NoError(t, err)
	}
	var air wire
	stream, err := x.Open(t.Context(), &pb.PullRequest{Device: device, Session: copied}, &air)
	require.NoError(t, err)
	defer stream.Close()
	sent := func() (records int) {
		for more := true; more; {
			more, err = stream.Step()
			require.NoError(t, err)
		}
		for _, m := range air.messages {
			for _, run := range m.Runs {
				if string(run.Log) == string(pushed[:]) {
					records += len(run.Records)
				}
			}
		}
		return records
	}
	push(session, 1)
	first := sent()
	require.Positive(t, first)
	push(session, exchange.MaxBatchBytes)
	push(copied, 1)
	require.Greater(t, sent(), first, "what the twin pushed since")
}
