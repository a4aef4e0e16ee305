package projection

import (
	"maps"
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
)

// backlog is what the journal holds and the index does not yet.
type backlog struct {
	mu sync.RWMutex // guards the fields below; held only to look or to publish

	tails    map[event.LogID][]tailEntry // by log, in the order of the journal
	fresh    []located                   // the oldest of the same records decoded, contiguous
	bytes    int                         // of fresh, as wire bytes
	most     int                         // of those
	gap      bool                        // there are newer ones than fresh holds
	unfolded bool                        // entities are left to be folded again
}

// located is a record and where it lies.
type located struct {
	rec  *event.Record
	pos  journal.Position
	next journal.Position
}

type tailEntry struct {
	seq  uint64
	hash event.Hash
	pos  journal.Position
}

// maxFreshBytes bounds the records kept decoded between commit and application. They
// take about three times as much.
const maxFreshBytes = 12 << 20

// add takes note of a record that was committed. It is kept decoded, so that it
// need not be read again; when too many wait, the newer ones are read from the journal.
func (b *backlog) add(l located) {
	b.tails[l.rec.Log] = append(b.tails[l.rec.Log], tailEntry{l.rec.Head.Seq, l.rec.Hash, l.pos})
	if b.gap = b.gap || b.bytes+l.rec.Size() > b.most; !b.gap {
		b.fresh = append(b.fresh, l)
		b.bytes += l.rec.Size()
	}
}

// Add takes note of records that the journal has just committed, which lie at the
// given positions and before end. It comes before anybody is told of them.
func (p *Projection) Add(recs []*event.Record, at []journal.Position, end journal.Position) {
	p.backlog.mu.Lock()
	defer p.backlog.mu.Unlock()
	for i, r := range recs {
		next := end
		if i+1 < len(at) {
			next = at[i+1]
		}
		p.backlog.add(located{rec: r, pos: at[i], next: next})
	}
}

// size counts the records that wait, and one more when there is other work left.
func (b *backlog) size() int {
	b.mu.RLock()
	defer b.mu.RUnlock()
	n := 0
	for _, tail := range b.tails {
		n += len(tail)
	}
	if b.gap || b.unfolded {
		n++
	}
	return n
}

// after hands out at most n decoded records, if they reach back to the cursor.
func (b *backlog) after(cursor journal.Position, n int) []located {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.forget(cursor)
	if len(b.fresh) == 0 || b.fresh[0].pos != cursor {
		return nil
	}
	return slices.Clone(b.fresh[:min(len(b.fresh), n)])
}

// forget drops decoded records before a position; mu is held.
func (b *backlog) forget(before journal.Position) {
	for len(b.fresh) > 0 && b.fresh[0].pos.Compare(before) < 0 {
		b.bytes -= b.fresh[0].rec.Size()
		b.fresh[0] = located{}
		b.fresh = b.fresh[1:]
	}
	if len(b.fresh) == 0 {
		b.fresh = nil
	}
}

// applied drops what the index holds now: all records before next.
func (b *backlog) applied(recs []located, next journal.Position, unfolded bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unfolded = b.unfolded || unfolded
	for _, l := range recs {
		tail := b.tails[l.rec.Log]
		for len(tail) > 0 && tail[0].pos.Compare(next) < 0 {
			tail = tail[1:]
		}
		if b.tails[l.rec.Log] = tail; len(tail) == 0 {
			delete(b.tails, l.rec.Log)
		}
	}
	b.forget(next)
}

// reached says that the journal was read to its end, where the cursor goes now: fresh
// records begin anew there. Those of before would not join on to them.
func (b *backlog) reached() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fresh, b.bytes, b.gap = nil, 0, false
}

// leave says whether entities are left to be folded again.
func (b *backlog) leave(unfolded bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unfolded = unfolded
}

func (b *backlog) leaves() bool {
	b.mu.RLock()
	defer b.mu.RUnlock()
	return b.unfolded
}

// places lists where the waiting records of a log lie, from one seq to before another.
func (b *backlog) places(log event.LogID, from, end uint64) []Place {
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []Place
	for _, t := range b.tails[log] {
		if from <= t.seq && t.seq < end {
			out = append(out, Place{t.seq, t.pos})
		}
	}
	return out
}

// at lists where the waiting records at one seq lie, the newest first.
func (b *backlog) at(log event.LogID, seq uint64) []journal.Position {
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []journal.Position
	for _, t := range slices.Backward(b.tails[log]) {
		if t.seq == seq {
			out = append(out, t.pos)
		}
	}
	return out
}

// maxShortTail is how many of the newest records are looked at in memory.
const maxShortTail = 64

// holds says that a record waits. One that is not among the newest is found when
// the tail is one stretch.
func (b *backlog) holds(log event.LogID, at exchange.Tip) bool {
	b.mu.RLock()
	defer b.mu.RUnlock()
	tail := b.tails[log]
	is := func(t tailEntry) bool { return t.seq == at.Seq && t.hash == at.Hash }
	if n := len(tail); n > 0 && at.Seq >= tail[0].seq {
		if i := at.Seq - tail[0].seq; i < uint64(n) && is(tail[i]) {
			return true
		}
	}
	return slices.ContainsFunc(tail[max(0, len(tail)-maxShortTail):], is)
}

// byLog is a copy of what waits, by log. Entries are never changed in place.
func (b *backlog) byLog() map[event.LogID][]tailEntry {
	b.mu.RLock()
	defer b.mu.RUnlock()
	return maps.Clone(b.tails)
}
