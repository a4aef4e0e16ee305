package replication

import (
	"context"
	"fmt"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is new goes to every open stream, and to all of them the same: it is read
// and encoded once.

// fanout keeps the newest short runs that reach to the end of their log.
type fanout struct {
	mu   sync.Mutex
	last [16]*shared
	next int
}

// maxShared is how many records a run may hold to be kept.
const maxShared = 64

// shared is a run as it goes to many streams.
type shared struct {
	key  sharedKey
	run  *pb.Run
	next uint64

	// encoded is the message once encoded, alone and as the last one before a
	// stream has caught up.
	encoded [2]Encoded
}

// sharedKey names a run by where it starts and by the state of its log: a log
// that grew or was forked has another one.
type sharedKey struct {
	log      event.LogID
	from     uint64
	most     int
	tip      exchange.Tip
	branches int
	fork     uint64
}

// read gives the run to send, from memory where another stream sent it.
func (f *fanout) read(ctx context.Context, s *store.Store, send exchange.Send, most int) (*shared, error) {
	info, ok := s.Log(send.Log)
	if !ok || info.Tip.Seq < send.From || info.Tip.Seq-send.From >= maxShared {
		return readShared(ctx, s, send, sharedKey{most: most})
	}
	key := sharedKey{log: send.Log, from: send.From, most: most, tip: info.Tip, branches: len(info.Branches), fork: info.Fork}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sh := range f.last {
		if sh != nil && sh.key == key {
			return sh, nil
		}
	}
	sh, err := readShared(ctx, s, send, key)
	// One that ends early met damage, which may be refilled.
	if err == nil && sh.run != nil && sh.next == info.Tip.Seq+1 {
		f.last[f.next] = sh
		f.next = (f.next + 1) % len(f.last)
	}
	return sh, err
}

func readShared(ctx context.Context, s *store.Store, send exchange.Send, key sharedKey) (*shared, error) {
	run, next, err := s.ReadRun(ctx, send.Log, send.From, key.most)
	if err != nil {
		return nil, fmt.Errorf("read log %s: %w", event.Hash(send.Log).Short(), err)
	}
	return &shared{key: key, run: run, next: next}, nil
}

// send sends a run on a stream; last says that the stream has caught up with it.
func send(out Outgoing, sh *shared, last bool, wallUs int64) error {
	if sh.key.log.IsZero() {
		return out.Send(sh.message(last, wallUs))
	}
	at := 0
	if last {
		at = 1
	}
	return out.SendShared(&sh.encoded[at], func() *pb.PullResponse { return sh.message(last, wallUs) })
}

func (sh *shared) message(last bool, wallUs int64) *pb.PullResponse {
	return &pb.PullResponse{Runs: []*pb.Run{sh.run}, CaughtUp: last, WallUs: wallUs}
}
