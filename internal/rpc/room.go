package rpc

import (
	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	// roomBytes is what laptops of one practice may bring before it is saved, counted as
	// their messages are long. A disk that works takes as much in a second.
	roomBytes = 64 << 20
	// sharedBytes is the same for all practices that one process serves.
	sharedBytes = 256 << 20
	// fewBytes is a message that is let in without being counted: what a vet enters, and a
	// hold, wait for the disk and are never turned away. Links, and calls at a time on each, bound
	// them.
	fewBytes = 64 << 10
)

// rooms are where what laptops brought waits to be saved: the practice's own, and that of
// the process. A disk or a database that is slow does not fill the memory with it.
type rooms []*semaphore.Weighted

// NewRoom is one that practices of a process share; see Callers.
func NewRoom() *semaphore.Weighted { return semaphore.NewWeighted(sharedBytes) }

// newRooms is a practice's own room, and the one that it shares, if it does.
func newRooms(shared *semaphore.Weighted) rooms {
	own := rooms{semaphore.NewWeighted(roomBytes)}
	if shared == nil {
		return own
	}
	return append(own, shared)
}

// enter takes room in all of them, until leave is called. One that has none refuses: who
// brought it still has it, and comes again after a while.
func (r rooms) enter(req *pb.PushRequest) (leave func(), err error) {
	bytes := int64(proto.Size(req))
	if bytes <= fewBytes {
		return func() {}, nil
	}
	for i, room := range r {
		if !room.TryAcquire(bytes) {
			r[:i].give(bytes)
			return nil, refusal.Fail(refusal.ErrTooMuch,
				"the server holds as much as it can that is not saved yet, and took none of these %d bytes; they are brought again", bytes)
		}
	}
	return func() { r.give(bytes) }, nil
}

func (r rooms) give(bytes int64) {
	for _, room := range r {
		room.Release(bytes)
	}
}
