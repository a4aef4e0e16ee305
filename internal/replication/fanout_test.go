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

func (slowDisk) Stamp(event.LogID) uint64 { return 1 }

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

// branching is a forked log of which ever more is held, while its newest end and
// the number of its ends stay the same.
type branching struct{ reads uint64 }

func (b *branching) Log(event.LogID) (store.LogInfo, bool) {
	return store.LogInfo{Tip: exchange.Tip{Seq: 3}, Branches: []exchange.Tip{{Seq: b.reads + 1}}, Fork: 1}, true
}

func (b *branching) Stamp(event.LogID) uint64 { return b.reads }

func (b *branching) ReadRun(_ context.Context, log event.LogID, from uint64, _ int) (*pb.Run, uint64, error) {
	b.reads++
	return &pb.Run{Log: log[:], From: from}, 4, nil
}

func (*branching) KeysFor(*pb.Run) []*pb.FieldKey { return nil }

// When another branch of a forked log grows, what was read of the log before is not
// sent again in its place.
func TestABranchThatGrowsIsReadAgain(t *testing.T) {
	var f fanout
	var disk branching
	for range 2 {
		_, err := f.read(t.Context(), &disk, exchange.Send{Want: exchange.Want{Log: event.LogID{1}, From: 1, To: 3}}, exchange.MaxBatchBytes)
		require.NoError(t, err)
	}
	require.EqualValues(t, 2, disk.reads)
}
