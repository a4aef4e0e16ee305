package replication

import (
	"context"
	"slices"

	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// inbox reads a stream ahead of who takes its messages. Those that came while another
// one was being saved are taken as one, so that they share a write to the disk: of a
// hold, every laptop of the practice says that it heard it, each in a message of its own.
type inbox struct {
	ctx     context.Context
	room    *semaphore.Weighted
	arrived chan arrival
	ended   chan struct{}
}

// arrival is a message, or the end of the stream.
type arrival struct {
	message *pb.PullResponse
	bytes   int64
	err     error
}

const (
	// inboxBytes bounds what waits; one message may be longer.
	inboxBytes = 256 << 10
	// inboxMessages is how many may wait, and how many are taken as one.
	inboxMessages = 64
)

func newInbox(ctx context.Context, stream Incoming) *inbox {
	in := &inbox{ctx: ctx, room: semaphore.NewWeighted(inboxBytes), arrived: make(chan arrival, inboxMessages), ended: make(chan struct{})}
	go in.read(stream)
	return in
}

// read reads until the stream ends, as it does with its context.
func (in *inbox) read(stream Incoming) {
	defer close(in.ended)
	for {
		m, err := stream.Recv()
		a := arrival{message: m, err: err}
		if err == nil {
			a.bytes = min(int64(proto.Size(m)), inboxBytes)
			if in.room.Acquire(in.ctx, a.bytes) != nil {
				return
			}
		}
		select {
		case in.arrived <- a:
		case <-in.ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

// next is what has arrived, as one message; it waits for the first.
func (in *inbox) next() (*pb.PullResponse, error) {
	var first arrival
	select {
	case first = <-in.arrived:
	case <-in.ctx.Done():
		return nil, in.ctx.Err()
	}
	if first.err != nil {
		return nil, first.err
	}
	taken := first.bytes
	defer func() { in.room.Release(taken) }()
	whole := first.message
	for taken < inboxBytes {
		select {
		case a := <-in.arrived:
			if a.err != nil {
				in.arrived <- a // its turn comes after what came before it; nothing comes behind it
				return whole, nil
			}
			taken += a.bytes
			whole = joined(whole, a.message)
		default:
			return whole, nil
		}
	}
	return whole, nil
}

// joined is two messages as one. What was received is not changed: within one process
// it is the very message that other streams carry too.
func joined(a, b *pb.PullResponse) *pb.PullResponse {
	return &pb.PullResponse{
		Runs: slices.Concat(a.Runs, b.Runs), Keys: slices.Concat(a.Keys, b.Keys), Differences: slices.Concat(a.Differences, b.Differences),
		CaughtUp: a.CaughtUp || b.CaughtUp, WallUs: b.WallUs,
	}
}

// stop waits until the stream is read no more, after the end of its context.
func (in *inbox) stop() { <-in.ended }
