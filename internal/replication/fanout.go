package replication

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is new goes to every open stream, and to all of them the same: it is read
// and encoded once.

// fanout keeps the newest short runs that reach to the end of their log. Its lock
// is never held while the disk is read.
type fanout struct {
	mu   sync.Mutex
	last [16]*shared // guarded by mu
	next int         // guarded by mu
}

// runs is what a replica is here.
type runs interface {
	Log(event.LogID) (store.LogInfo, bool)
	Stamp(event.LogID) uint64
	ReadRun(ctx context.Context, log event.LogID, from uint64, maxBytes int) (run *pb.Run, next uint64, err error)
	KeysFor(*pb.Run) []*pb.FieldKey
}

// replicaRuns reads runs of a replica.
type replicaRuns struct{ *replica.Replica }

func (r replicaRuns) Log(id event.LogID) (store.LogInfo, bool) { return r.Store.Log(id) }

func (r replicaRuns) Stamp(id event.LogID) uint64 { return r.Store.Stamp(id) }

func (r replicaRuns) ReadRun(ctx context.Context, log event.LogID, from uint64, maxBytes int) (*pb.Run, uint64, error) {
	return r.Store.ReadRun(ctx, log, from, maxBytes)
}

func (r replicaRuns) KeysFor(run *pb.Run) []*pb.FieldKey { return keysFor(r.Replica, run) }

// maxShared is how many records a run may hold to be kept.
const maxShared = 64

// shared is a run as it goes to many streams.
type shared struct {
	key  sharedKey
	once sync.Once // guards the four below: the first stream that wants it reads
	run  *pb.Run
	keys []*pb.FieldKey // that the run needs
	next uint64
	err  error

	// encoded is the message once encoded, alone and as the last one before a
	// stream has caught up.
	encoded [2]Encoded
}

// sharedKey names a run by where it starts and by the state of its log: a log of
// which more is held than before, or less, has another stamp.
type sharedKey struct {
	log   event.LogID
	from  uint64
	most  int
	stamp uint64
}

// read gives the run to send, from memory where another stream sent it.
func (f *fanout) read(ctx context.Context, s runs, send exchange.Send, most int) (*shared, error) {
	alone := &shared{key: sharedKey{most: most}}
	stamp := s.Stamp(send.Log) // before what it stands for is looked at
	info, ok := s.Log(send.Log)
	if !ok || info.Tip.Seq < send.From || info.Tip.Seq-send.From >= maxShared {
		return alone, alone.read(ctx, s, send)
	}
	sh := f.slot(sharedKey{log: send.Log, from: send.From, most: most, stamp: stamp})
	err := sh.read(ctx, s, send)
	// One that ends early met damage, which may be refilled.
	if err != nil || sh.run == nil || sh.next != info.Tip.Seq+1 {
		f.drop(sh)
	}
	if err != nil {
		// It may be the end of the stream that read for all.
		return alone, alone.read(ctx, s, send)
	}
	return sh, nil
}

// slot finds the run of a key, or makes room for it.
func (f *fanout) slot(key sharedKey) *shared {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sh := range f.last {
		if sh != nil && sh.key == key {
			return sh
		}
	}
	sh := &shared{key: key}
	f.last[f.next] = sh
	f.next = (f.next + 1) % len(f.last)
	return sh
}

func (f *fanout) drop(sh *shared) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if i := slices.Index(f.last[:], sh); i >= 0 {
		f.last[i] = nil
	}
}

func (sh *shared) read(ctx context.Context, s runs, send exchange.Send) error {
	sh.once.Do(func() {
		if sh.run, sh.next, sh.err = s.ReadRun(ctx, send.Log, send.From, sh.key.most); sh.err != nil {
			sh.err = fmt.Errorf("read log %s: %w", event.Hash(send.Log).Short(), sh.err)
			return
		}
		sh.keys = s.KeysFor(sh.run)
	})
	return sh.err
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
	return &pb.PullResponse{Runs: []*pb.Run{sh.run}, Keys: sh.keys, CaughtUp: last, WallUs: wallUs}
}
