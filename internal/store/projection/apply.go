package projection

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

// Size of one apply transaction in records: halved when the index says that it is too
// big, doubled when twice as much would have gone in too. The most is what folds in some
// three milliseconds: an entry waits for no more than one of them, and larger ones were
// not measured to fold with less work.
const (
	mostBatch  = 256
	leastBatch = 1
	aloneBatch = 64 // while others wait: they wait for as long as it takes
)

// inBulk is how many records have to be left for a step to wait for its turn: what a person
// wrote never does.
const inBulk = 64

// CatchUp applies to the index all that the journal holds at this moment; what comes
// meanwhile is left to the next call. A query calls it first; it costs next to nothing
// when there is nothing to apply.
func (p *Projection) CatchUp(ctx context.Context) error {
	if p.Behind() == 0 {
		return nil
	}
	end := p.journal.End()
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		var err error
		if more, err = p.applyStep(end); err == nil {
			err = p.settleIfFull(ctx)
		}
		if err != nil {
			return err
		}
	}
	return p.refoldAll(ctx)
}

// applyStep applies one batch and lets others come between it and the next. more says
// that there is something left before an end.
func (p *Projection) applyStep(end journal.Position) (more bool, err error) {
	alone := false
	if p.opt.Turn != nil && p.Behind() > inBulk {
		var done func()
		alone, done = p.opt.Turn()
		defer done()
	}
	p.applier.Lock()
	defer p.applier.Unlock()
	p.alone = alone
	defer func() { p.alone = false }() // what a person waits for does not stand back
	if p.closed.Load() {
		return false, ErrClosed
	}
	if p.doubted.Swap(false) {
		p.read.forget()
		p.rests.forget()
	}
	if p.Behind() > p.opt.Far {
		err = p.gather()
	}
	n := 0
	if err == nil {
		n, err = p.applySome()
	}
	if err != nil {
		return false, fmt.Errorf("bring the index up to date: %w", err)
	}
	if n == 0 || p.Behind() == 0 {
		p.read = p.read.few()
	}
	return n > 0 && p.cursor.pos.Compare(end) < 0, nil
}

// Behind counts the records that are saved and not yet folded, and one more when
// there is other work left.
func (p *Projection) Behind() int { return p.backlog.size() }

// applySome applies the next batch and says how many records it held.
func (p *Projection) applySome() (int, error) {
	for {
		recs, next, err := p.nextBatch()
		if err != nil || next == p.cursor.pos {
			return 0, err
		}
		err = p.applyBatch(recs, next)
		switch {
		case errors.Is(err, index.ErrTooBig) && len(recs) > leastBatch:
			p.batch = max(leastBatch, len(recs)/2)
			continue
		case errors.Is(err, index.ErrCovered):
			continue
		case errors.Is(err, index.ErrTooBig):
			err = p.applyLater(recs, next)
			if errors.Is(err, index.ErrCovered) {
				continue
			}
		}
		if err != nil {
			return 0, err
		}
		return max(len(recs), 1), p.refoldFew()
	}
}

// batchNow is how many records the next transaction takes.
func (p *Projection) batchNow() int {
	if p.alone {
		return min(p.batch, aloneBatch)
	}
	return p.batch
}

// nextBatch takes the next records after the cursor: from memory when they are
// kept there, else from the journal.
func (p *Projection) nextBatch() ([]located, journal.Position, error) {
	if recs := p.backlog.after(p.cursor.pos, p.batchNow()); len(recs) > 0 {
		return recs, recs[len(recs)-1].next, nil
	}
	return p.scanBatch()
}

var errEnough = errors.New("enough")

// scanBatch reads the next records from the journal. Damage is noted and passed.
func (p *Projection) scanBatch() ([]located, journal.Position, error) {
	var frames [][]byte
	var at []journal.Position
	end := p.journal.End()
	next := p.cursor.pos
	err := p.journal.Scan(p.cursor.pos, func(pos journal.Position, frame []byte) error {
		if len(frames) == p.batchNow() {
			next = pos
			return errEnough
		}
		frames, at = append(frames, bytes.Clone(frame)), append(at, pos)
		return nil
	}, func(from, to journal.Position, reason string) error {
		p.passOver(from, to, reason)
		return nil
	})
	recs := p.decodeAll(frames, at)
	if errors.Is(err, errEnough) {
		return recs, next, nil
	}
	if err == nil {
		p.backlog.reached()
	}
	return recs, end, err
}

// decodeAll decodes frames side by side. What is no record is noted as damage.
func (p *Projection) decodeAll(frames [][]byte, at []journal.Position) []located {
	recs, failed := make([]located, len(frames)), make([]error, len(frames))
	p.inParallel(len(frames), func(i int) {
		recs[i].pos = at[i]
		recs[i].rec, failed[i] = event.Decode(frames[i])
	})
	for i, err := range failed {
		if err != nil {
			p.passOver(at[i], at[i], err.Error())
		}
	}
	return slices.DeleteFunc(recs, func(l located) bool { return l.rec == nil })
}

// passOver notes damage that the index is built without.
func (p *Projection) passOver(from, to journal.Position, reason string) {
	p.cursor = p.cursor.passing(from, to)
	p.opt.Damaged(from, to, reason)
}

// applyBatch applies records to the index in one transaction.
func (p *Projection) applyBatch(recs []located, next journal.Position) error {
	return p.applyTxn(recs, next, (*application).apply)
}

// applyTxn lets do change the index and moves the cursor in the same transaction.
func (p *Projection) applyTxn(recs []located, next journal.Position, do func(*application) error) error {
	a := p.application(recs)
	moved, err := p.update(a, func() (cursor, error) {
		err := do(a)
		return p.cursor.moved(next, p.counted(a.w.bytes), p.opt.Behind).saw(recs), err
	})
	if err != nil {
		return err
	}
	p.cursor = moved
	p.entitle(a.rights)
	if 2*a.w.txn < p.index.MaxTxnBytes() {
		p.batch = min(mostBatch, p.batch*2)
	}
	p.recent.add(recs)
	for _, records := range []knownRecords{a.fetched.old, a.fetched.young, a.known} {
		p.read.addAll(records)
	}
	p.backlog.applied(recs, next, a.unfolded)
	p.opt.Applied()
	return nil
}

// update runs one transaction for an application and writes the cursor with it.
func (p *Projection) update(a *application, do func() (cursor, error)) (next cursor, err error) {
	err = p.index.Update(func(w index.Writer) error {
		a.w = &counter{Writer: w}
		if next, err = do(); err != nil {
			return err
		}
		slices.SortFunc(a.unread, journal.Position.Compare)
		for _, at := range a.unread {
			next = next.passing(at, at)
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
func (p *Projection) applyLater(recs []located, next journal.Position) error {
	noted, at := map[event.Key]bool{}, recs[0].pos
	for keys := range slices.Chunk(entitiesOf(recs[0].rec), laterKeys) {
		a := p.application(nil)
		moved, err := p.update(a, func() (cursor, error) {
			for _, k := range keys {
				noted[k] = true
				if err := errors.Join(addPositions(a.w, touchKey(k, at), []journal.Position{at}), a.w.Set(dirtyKey(k), []byte{1})); err != nil {
					return cursor{}, err
				}
			}
			return p.cursor.wrote(p.counted(a.w.bytes)).saw(recs), nil
		})
		if err != nil {
			return err
		}
		p.cursor = moved
	}
	return p.applyTxn(recs, next, func(a *application) error {
		a.noted, a.unfolded = noted, true
		return a.apply()
	})
}

func (p *Projection) application(recs []located) *application {
	a := &application{p: p, recs: recs, rights: p.rights, logs: map[event.LogID]*LogInfo{},
		changed: map[event.LogID]bool{}, known: make(knownRecords, len(recs))}
	space := make([]known, len(recs))
	for i, l := range recs {
		space[i].rec = l.rec
		a.known[l.pos] = &space[i]
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
