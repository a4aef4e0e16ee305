package replication_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// wire keeps what a stream sends until it is taken.
type wire struct{ messages []*pb.PullResponse }

func (w *wire) Send(m *pb.PullResponse) error {
	w.messages = append(w.messages, m)
	return nil
}

func (w *wire) SendShared(_ *replication.Encoded, message func() *pb.PullResponse) error {
	return w.Send(message())
}

// A session step by step: nothing happens that no step did, and a stream that has
// caught up sends nothing until something is saved.
func TestASessionStepByStep(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	hub.Begin()
	x := responder(t, hub)
	link := replication.NewLink(laptop.Replica, "the hub", nil, replication.Memory{})
	greeting := link.Greet()
	welcome, err := x.Hello(t.Context(), greeting.Request)
	require.NoError(t, err)
	session, err := link.Meet(t.Context(), greeting, welcome)
	require.NoError(t, err)

	before := hub.Replica.Store.Records()
	first, err := session.Next(t.Context())
	require.NoError(t, err)
	require.Len(t, first.Runs, 1)
	require.Equal(t, before, hub.Replica.Store.Records())
	for req := first; req != nil; {
		resp, err := x.Push(t.Context(), req)
		require.NoError(t, err)
		require.NoError(t, session.Answered(resp))
		req, err = session.Next(t.Context())
		require.NoError(t, err)
	}
	require.Equal(t, before+laptop.Replica.Store.Records(), hub.Replica.Store.Records())

	var air wire
	stream, err := x.Open(t.Context(), session.Ask(), &air)
	require.NoError(t, err)
	defer stream.Close()
	for more := true; more; {
		sent := len(air.messages)
		more, err = stream.Step()
		require.NoError(t, err)
		require.LessOrEqual(t, len(air.messages), sent+1, "one message a step")
	}
	sent := len(air.messages)
	require.True(t, air.messages[sent-1].CaughtUp)
	more, err := stream.Step()
	require.NoError(t, err)
	require.False(t, more)
	require.Len(t, air.messages, sent, "nothing was saved since")
	require.NotEqual(t, digest(t, hub), digest(t, laptop), "what is on the wire is not here")
	for _, m := range air.messages {
		require.NoError(t, session.Take(t.Context(), m))
	}
	require.Equal(t, digest(t, hub), digest(t, laptop))
}

// Runs of one log that cannot be joined on end one session; when the next one is sent
// the same, that log waits and all others are taken. Once the lacking records come, the
// session ends and the server is asked anew.
func TestALogThatCannotBeJoinedHoldsUpNoOther(t *testing.T) {
	hub, laptop, far := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "south car", 3)
	hub.Hub = true
	hub.Begin()
	far.Foal()
	x := responder(t, hub)
	link := replication.NewLink(laptop.Replica, "the hub", nil, replication.Memory{})
	meet := func() *replication.Session {
		greeting := link.Greet()
		welcome, err := x.Hello(t.Context(), greeting.Request)
		require.NoError(t, err)
		session, err := link.Meet(t.Context(), greeting, welcome)
		require.NoError(t, err)
		session.Ask()
		return session
	}
	run := func(of *entrytest.Laptop, from uint64) *pb.PullResponse {
		run, _, err := of.Store.ReadRun(t.Context(), of.Store.OwnLogs()[0], from, 1<<20)
		require.NoError(t, err)
		return &pb.PullResponse{Runs: []*pb.Run{run}}
	}
	late := run(far, 1)
	var refused *exchange.Refusal
	require.ErrorAs(t, meet().Take(t.Context(), late), &refused)
	require.Equal(t, exchange.UnknownLog, refused.Why)
	session := meet()
	require.NoError(t, session.Take(t.Context(), late), "that was said already")
	require.NoError(t, session.Take(t.Context(), run(hub, 0)))
	require.Equal(t, hub.Store.OwnLogs()[0], laptop.Store.Held()[0].Log, "and stops nothing else")
	require.Contains(t, link.Quarantined()[0], "the log's opening record is not held here")
	require.ErrorIs(t, session.Take(t.Context(), run(far, 0)), replication.ErrAnew)
}
