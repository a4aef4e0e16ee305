package replication

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// slowDisk reads one log only when it is let, and counts how often.
type slowDisk struct {
	slow    event.LogID
	let     chan struct{}
	reading chan event.LogID
}

func (d slowDisk) Log(event.LogID) (store.LogInfo, bool) {
	return store.LogInfo{Tip: exchange.Tip{Seq: 3}}, true
}

func (d slowDisk) ReadRun(ctx context.Context, log event.LogID, from uint64, _ int) (*pb.Run, uint64, error) {
	d.reading <- log
	if log == d.slow {
		select {
		case <-d.let:
		case <-ctx.Done():
			return nil, from, ctx.Err()
		}
	}
	return &pb.Run{Log: log[:]}, 4, nil
}

func (slowDisk) KeysFor(*pb.Run) []*pb.FieldKey { return nil }

// A slow read of one log holds up those who want that log, and nobody else; and it
// is made once for all of them, also when the one who began it goes away.
func TestOneSlowReadHoldsUpItsLogAlone(t *testing.T) {
	disk := slowDisk{slow: event.LogID{1}, let: make(chan struct{}), reading: make(chan event.LogID, 10)}
	var f fanout
	get := func(ctx context.Context, log event.LogID) <-chan error {
		out := make(chan error, 1)
		go func() {
			sh, err := f.read(ctx, disk, exchange.Send{Want: exchange.Want{Log: log, From: 1, To: 3}}, exchange.MaxBatchBytes)
			if err == nil && string(sh.run.Log) != string(log[:]) {
				err = context.DeadlineExceeded
			}
			out <- err
		}()
		return out
	}
	first, leave := context.WithCancel(t.Context())
	gone := get(first, disk.slow)
	require.Equal(t, disk.slow, <-disk.reading)
	patient := get(t.Context(), disk.slow)
	select {
	case err := <-get(t.Context(), event.LogID{2}):
		require.NoError(t, err)
	case <-time.After(5 * time.Second):
		require.Fail(t, "a read of one log waits for the read of another")
	}
	leave()
	require.ErrorIs(t, <-gone, context.Canceled)
	close(disk.let)
	require.NoError(t, <-patient)
}
