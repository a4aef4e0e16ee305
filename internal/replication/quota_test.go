package replication

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// What a device may have of keys is counted from what is held, so that a start of the
// server begins no new quota.
func TestAStartBeginsNoNewQuotaOfKeys(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	laptop.Begin()
	for i := range 30 {
		laptop.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: fmt.Sprint("client ", i)}})
	}
	writer := exchange.DeviceID(laptop.Replica.Store.Device())
	push := func(intake *keyIntake) {
		laptop.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: "one more"}})
		p := exchange.NewPusher(laptop.Replica.Store.Held(), hub.Replica.Store.Held(), laptop.Replica.Store.Holds)
		for send, ok := p.Next(); ok; send, ok = p.Next() {
			run, next, err := laptop.Replica.Store.ReadRun(t.Context(), send.Log, send.From, send.MaxBytes)
			require.NoError(t, err)
			results, err := hub.Replica.Store.Ingest(t.Context(), []*pb.Run{run})
			require.NoError(t, err)
			require.NoError(t, intake.take(t.Context(), writer, keysFor(laptop.Replica, run), results))
			p.Streamed(next)
		}
	}
	first := newKeyIntake(hub.Replica, maxWaiting)
	push(first)
	require.Equal(t, 31, first.taken[writer])
	again := newKeyIntake(hub.Replica, maxWaiting) // as after a start
	push(again)
	require.Equal(t, 32, again.taken[writer])

	full := newKeyIntake(hub.Replica, maxWaiting)
	full.taken[writer] = maxKeysOf
	push(full)
	n := 0
	for _, l := range hub.Replica.Store.Logs() {
		run, _, err := hub.Replica.Store.ReadRun(t.Context(), l.ID, 0, exchange.MaxBatchBytes)
		require.NoError(t, err)
		for _, wire := range run.GetRecords() {
			r, err := event.Decode(wire)
			require.NoError(t, err)
			n += len(r.KeysNeeded())
		}
	}
	require.Equal(t, 33, n, "the record is kept")
}
