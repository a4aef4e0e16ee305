package store

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Draft is a fact before it becomes a record of this device.
type Draft struct {
	Type       event.Type
	Payload    proto.Message // validated by the caller
	OccurredAt *pb.Moment    // nil: now
	Author     string
	Proof      *pb.AuthorProof
	Overrides  []*pb.Override
	RequestID  string
	References [][]byte
	Grant      []byte
	Keys       []event.Key // entities beside those the payload names
	Engine     string      // version of the engine it relied on
}

// write is one caller's wish, waiting for the writer.
type write struct {
	drafts  []Draft
	runs    []*pb.Run
	peer    *exchange.DeviceID // who pushed the runs; nil: they count without bound
	ahead   []ahead            // what was found of the runs before their turn
	rank    int                // those of the lowest rank go first
	bytes   int                // of the runs
	done    chan struct{}
	records []*event.Record // of the drafts
	results []RunResult     // of the runs
	err     error
}

// writer is held by the one that commits; those who come meanwhile wait in the queue.
type writer struct {
	queue writeQueue // has a lock of its own
	mu    sync.Mutex // held through a commit; guards the field below

	brought map[exchange.DeviceID]int64 // bytes of foreign logs that each laptop brought since the start
}

func newWriter() writer { return writer{brought: map[exchange.DeviceID]int64{}} }

// writeQueue gathers callers while another one commits: group commit.
type writeQueue struct {
	mu sync.Mutex // guards the field below

	waiting []*write
}

// Ranks of wishes: what a person waits for does not wait for what laptops exchange.
const (
	rankEntry = iota
	rankUrgent
	rankRuns
)

// rankOf is the rank of runs: that of the urgent ones among them.
func (s *Store) rankOf(runs []*pb.Run) int {
	for _, run := range runs {
		id, _ := event.ToHash(run.GetLog())
		if l, ok := s.logs.Log(id); ok && l.Lane == pb.Lane_LANE_URGENT {
			return rankUrgent
		}
	}
	return rankRuns
}

// maxGroup bounds how many wishes go into one commit.
const maxGroup = 64

func (q *writeQueue) add(w *write) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append(q.waiting, w)
}

// take takes the next group: wishes of the lowest rank that waits, in the order in
// which they came, and no more of them than a person may wait for.
func (q *writeQueue) take() (group []*write) {
	q.mu.Lock()
	defer q.mu.Unlock()
	first, bytes := rankRuns, 0
	for _, w := range q.waiting {
		first = min(first, w.rank)
	}
	q.waiting = slices.DeleteFunc(q.waiting, func(w *write) bool {
		taken := w.rank == first && len(group) < maxGroup && bytes < maxGroupBytes
		if taken {
			group, bytes = append(group, w), bytes+w.bytes
		}
		return taken
	})
	return group
}

func (q *writeQueue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting)
}

// Waiting is how many callers wait for the writer, who will save what they want in
// one commit.
func (s *Store) Waiting() int { return s.writer.queue.len() }

// Append makes records of this device and returns when they are on the disk.
// Drafts of one call stand next to each other. Each is signed, so that a crash in
// the middle of the write leaves none that can never be sent on.
func (s *Store) Append(ctx context.Context, drafts ...Draft) ([]*event.Record, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("not saved: %w", err)
	}
	s.person.writes(s.opt.Clock.Monotonic(), drafts)
	w := &write{drafts: drafts, done: make(chan struct{})}
	s.submit(w)
	return w.records, w.err
}

// submit waits until w is done, by this caller or by the one before it. A
// caller that gave up could not know whether its record was saved, so it waits.
func (s *Store) submit(w *write) {
	s.writer.queue.add(w)
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	select {
	case <-w.done:
		return
	default:
	}
	for !isDone(w) {
		s.commitGroup(s.writer.queue.take())
	}
}

func isDone(w *write) bool {
	select {
	case <-w.done:
		return true
	default:
		return false
	}
}

// maxGroupBytes ends a group early, so that whoever comes meanwhile does not wait long
// for the disk. One wish may add four times as much, and both together fit into one
// commit of the journal.
const maxGroupBytes = journal.MaxCommit / 16

// commitGroup saves a group of wishes in as few synced writes as may be.
func (s *Store) commitGroup(group []*write) {
	for len(group) > 0 {
		p := s.begin()
		n := 0
		for n < len(group) && p.bytes < maxGroupBytes {
			if w := group[n]; s.closed.Load() {
				w.err = ErrClosed
			} else {
				p.add(w)
			}
			n++
		}
		err := p.commit()
		for _, w := range group[:n] {
			if w.err == nil && err != nil {
				w.err, w.records, w.results = fmt.Errorf("not saved: %w", err), nil, nil
			}
			close(w.done)
		}
		group = group[n:]
	}
}
