package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Size of one apply transaction in records: halved when the index says that it
// is too big, doubled when twice as much would have gone in too.
const (
	firstBatch = 256
	leastBatch = 1
	mostBatch  = 1024
)

// CatchUp applies to the index all that the journal holds. A query calls it
// first; it costs next to nothing when there is nothing to apply.
func (s *Store) CatchUp(ctx context.Context) error {
	if s.behindBy() == 0 {
		return nil
	}
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		var err error
		if more, err = s.applyStep(); err != nil {
			return err
		}
	}
	return s.refoldAll(ctx)
}

// applyStep applies one batch and lets others come between it and the next.
func (s *Store) applyStep() (more bool, err error) {
	s.applier.Lock()
	defer s.applier.Unlock()
	if s.isClosed() {
		return false, ErrClosed
	}
	n, err := s.applySome()
	if err != nil {
		return false, fmt.Errorf("bring the index up to date: %w", err)
	}
	return n > 0, nil
}

// behindBy counts the committed records that are not in the index, and one more
// when there is other work left.
func (s *Store) behindBy() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := 0
	for _, l := range s.logs {
		n += len(l.tail)
	}
	if s.freshGap || s.pending {
		n++
	}
	return n
}

// applySome applies the next batch and says how many records it held.
func (s *Store) applySome() (int, error) {
	for {
		recs, next, err := s.nextBatch()
		if err != nil || next == s.cursor.pos {
			return 0, err
		}
		err = s.applyBatch(recs, next)
		switch {
		case errors.Is(err, index.ErrTooBig) && len(recs) > leastBatch:
			s.batch = max(leastBatch, len(recs)/2)
			continue
		case errors.Is(err, index.ErrTooBig):
			err = s.applyLater(recs, next)
		}
		if err != nil {
			return 0, err
		}
		return max(len(recs), 1), s.refoldFew()
	}
}

// nextBatch takes the next records after the cursor: from memory when they are
// kept there, else from the journal.
func (s *Store) nextBatch() ([]located, journal.Position, error) {
	if recs := s.freshAfter(s.cursor.pos); len(recs) > 0 {
		return recs, recs[len(recs)-1].next, nil
	}
	return s.scanBatch()
}

// freshAfter takes records that were kept decoded, if they reach to the cursor.
func (s *Store) freshAfter(pos journal.Position) []located {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.fresh) > 0 && s.fresh[0].pos.Compare(pos) < 0 {
		s.fresh = s.fresh[1:]
	}
	if len(s.fresh) == 0 || !s.adjacent(pos, s.fresh[0].pos) {
		return nil
	}
	return slices.Clone(s.fresh[:min(len(s.fresh), s.batch)])
}

// adjacent says that nothing lies in the journal between two positions.
func (s *Store) adjacent(cursor, first journal.Position) bool {
	return cursor == first
}

var errEnough = errors.New("enough")

// scanBatch reads the next records from the journal. Damage is noted and passed.
func (s *Store) scanBatch() ([]located, journal.Position, error) {
	var frames [][]byte
	var at []journal.Position
	end := s.journal.End()
	next := s.cursor.pos
	err := s.journal.Scan(s.cursor.pos, func(pos journal.Position, frame []byte) error {
		if len(frames) == s.batch {
			next = pos
			return errEnough
		}
		frames, at = append(frames, bytes.Clone(frame)), append(at, pos)
		return nil
	}, func(from, to journal.Position, reason string) error {
		s.passOver(from, to, reason)
		return nil
	})
	recs := s.decodeAll(frames, at)
	if errors.Is(err, errEnough) {
		return recs, next, nil
	}
	if err == nil {
		s.mu.Lock()
		s.freshGap = false
		s.mu.Unlock()
	}
	return recs, end, err
}

// decodeAll decodes frames side by side. What is no record is noted as damage.
func (s *Store) decodeAll(frames [][]byte, at []journal.Position) []located {
	recs, failed := make([]located, len(frames)), make([]error, len(frames))
	inParallel(len(frames), func(i int) {
		recs[i].pos = at[i]
		recs[i].rec, failed[i] = event.Decode(frames[i])
	})
	for i, err := range failed {
		if err != nil {
			s.passOver(at[i], at[i], err.Error())
		}
	}
	return slices.DeleteFunc(recs, func(l located) bool { return l.rec == nil })
}

// passOver notes damage that the index is built without.
func (s *Store) passOver(from, to journal.Position, reason string) {
	s.cursor = s.cursor.passing(from)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.damage(from, to, reason)
}

// applyBatch applies records to the index in one transaction.
func (s *Store) applyBatch(recs []located, next journal.Position) error {
	return s.applyTxn(recs, next, (*application).apply)
}

// applyTxn lets do change the index and moves the cursor in the same transaction.
func (s *Store) applyTxn(recs []located, next journal.Position, do func(*application) error) error {
	a := s.application(recs)
	moved, err := s.update(a, func() (cursor, error) {
		err := do(a)
		moved := s.cursor.moved(next, a.w.bytes, s.opt.behind)
		if n := len(recs); n > 0 {
			moved.last = witness{recs[n-1].pos, recs[n-1].rec.Hash}
		}
		return moved, err
	})
	if err != nil {
		return err
	}
	s.cursor = moved
	s.entitle(a.rights)
	if 2*a.w.txn < s.index.MaxTxnBytes() {
		s.batch = min(mostBatch, s.batch*2)
	}
	s.applied(recs, next, a.pending)
	return nil
}

// update runs one transaction for an application and writes the cursor with it.
func (s *Store) update(a *application, do func() (cursor, error)) (next cursor, err error) {
	err = s.index.Update(func(w index.Writer) error {
		a.w = &counter{Writer: w}
		if next, err = do(); err != nil {
			return err
		}
		value, err := next.encode()
		if err != nil {
			return err
		}
		return w.Set(cursorKey, value)
	})
	return next, err
}

// laterKeys is how many entities one transaction notes to be folded later.
const laterKeys = 200

// applyLater applies one record that touches more than one transaction holds:
// first it notes, in several, what the record touches and that it is to be
// folded; then comes the record itself with the cursor. A crash in between
// leaves notes that only cause work.
func (s *Store) applyLater(recs []located, next journal.Position) error {
	noted := map[event.Key]bool{}
	for keys := range slices.Chunk(entitiesOf(recs[0].rec), laterKeys) {
		err := s.index.Update(func(w index.Writer) error {
			for _, k := range keys {
				noted[k] = true
				if err := errors.Join(w.Set(touchKey(k, recs[0].pos), recs[0].pos.Encode()), w.Set(dirtyKey(k), []byte{1})); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return s.applyTxn(recs, next, func(a *application) error {
		a.noted, a.pending = noted, true
		return a.apply()
	})
}

func (s *Store) application(recs []located) *application {
	a := &application{s: s, recs: recs, rights: s.rights, logs: map[event.LogID]*LogInfo{},
		changed: map[event.LogID]bool{}, byPos: make(map[journal.Position]*event.Record, len(recs))}
	for _, l := range recs {
		a.byPos[l.pos] = l.rec
	}
	return a
}

// counter counts the bytes that a transaction gives to the index.
type counter struct {
	index.Writer
	bytes uint64
	txn   int64 // as the index counts against its limit
}

func (c *counter) Set(key, value []byte) error {
	c.bytes += uint64(len(key) + len(value) + entryBytes)
	c.txn += index.TxnBytes(key, value)
	return c.Writer.Set(key, value)
}

func (c *counter) Delete(key []byte) error {
	c.bytes += uint64(len(key) + entryBytes)
	c.txn += index.TxnBytes(key, nil)
	return c.Writer.Delete(key)
}

// applied drops from memory what the index holds now.
func (s *Store) applied(recs []located, next journal.Position, pending bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending = s.pending || pending
	for _, l := range recs {
		ls := s.logs[l.rec.Log]
		if ls == nil {
			continue
		}
		for len(ls.tail) > 0 && ls.tail[0].pos.Compare(next) < 0 {
			ls.tail = ls.tail[1:]
		}
		if len(ls.tail) == 0 {
			ls.tail = nil
		}
	}
	for len(s.fresh) > 0 && s.fresh[0].pos.Compare(next) < 0 {
		s.fresh = s.fresh[1:]
	}
	if len(s.fresh) == 0 {
		s.fresh = nil
	}
	s.wakeLocked()
}
