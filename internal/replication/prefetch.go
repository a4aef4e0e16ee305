package replication

import (
	"context"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// reader reads runs for a pusher: while one is on its way, the one that will
// most likely follow is read already. It holds at most one run.
type reader struct {
	store *store.Store
	ahead chan readRun // nil when nothing is being read
	want  exchange.Send
}

type readRun struct {
	run  *pb.Run
	next uint64
	err  error
}

// read gives the run to send: the one that was read ahead when it is that.
func (r *reader) read(ctx context.Context, send exchange.Send) (*pb.Run, uint64, error) {
	if r.ahead != nil {
		got, want := <-r.ahead, r.want
		r.ahead = nil
		if got.run != nil && want.Log == send.Log && want.From == send.From && want.MaxBytes == send.MaxBytes {
			return got.run, got.next, nil
		}
	}
	return r.store.ReadRun(ctx, send.Log, send.From, send.MaxBytes)
}

// readAhead begins to read what follows a run of the same log.
func (r *reader) readAhead(ctx context.Context, send exchange.Send, next uint64) {
	send.From = next
	ahead := make(chan readRun, 1)
	r.want, r.ahead = send, ahead
	go func() {
		run, next, err := r.store.ReadRun(ctx, event.LogID(send.Log), send.From, send.MaxBytes)
		ahead <- readRun{run, next, err}
	}()
}

// stop waits for what is still being read.
func (r *reader) stop() {
	if r.ahead != nil {
		<-r.ahead
		r.ahead = nil
	}
}
