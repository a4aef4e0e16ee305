package projection

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// What the disk could not read, the index is built without; the cursor remembers
// where that was. A start that finds any of it readable builds the index anew. A
// program that runs on while the disk gets well applies it where it lies, out of its
// turn, as with what is applied with priority: applying twice changes nothing.

// TakeBack applies what was passed over and can be read now, and says how many records
// that are. The table of logs does not know of them yet.
func (p *Projection) TakeBack(ctx context.Context) (taken int, err error) {
	var done []retaken
	for _, st := range p.passedOver() {
		if !p.readable(st) {
			continue
		}
		left, n, err := p.takeBack(ctx, st)
		if taken += n; err != nil {
			return taken, err
		}
		done = append(done, retaken{st, left})
	}
	if err := p.refoldAll(ctx); err != nil || len(done) == 0 {
		return taken, err
	}
	return taken, p.rememberAll(ctx, done)
}

// retaken is a stretch that was applied, and what of it is still unreadable.
type retaken struct {
	stretch passed
	left    []passed
}

// rememberAll notes what is left of stretches, once a stop of the machine cannot undo
// what was applied: it lies where no start would apply it again. Until then they stay,
// and are applied once more the next time.
func (p *Projection) rememberAll(ctx context.Context, done []retaken) error {
	if settled, err := p.Settle(ctx); err != nil || !settled || p.Trouble() != nil {
		return err
	}
	durable, err := p.index.Persist()
	if err != nil || !durable {
		return err
	}
	for _, d := range done {
		if err := p.remember(d); err != nil {
			return err
		}
	}
	return nil
}

// passedOver is a copy of what the cursor remembers.
func (p *Projection) passedOver() []passed {
	p.applier.Lock()
	defer p.applier.Unlock()
	return slices.Clone(p.cursor.passed)
}

// takeBack applies one stretch, and gives what of it is still unreadable.
func (p *Projection) takeBack(ctx context.Context, st passed) (left []passed, taken int, err error) {
	from, to, _ := st.stretch()
	for at, size := from, mostBatch; ; {
		if err := ctx.Err(); err != nil {
			return left, taken, err
		}
		recs, next, gone, err := p.reread(at, to, size)
		if err != nil {
			return left, taken, err
		}
		err = p.applyAgain(recs)
		switch {
		case errors.Is(err, index.ErrCovered):
			continue
		case errors.Is(err, index.ErrTooBig) && size > leastBatch:
			size /= 2
			continue
		case errors.Is(err, index.ErrTooBig):
			gone = append(gone, passedOver(at, next)) // the next start applies it in its turn
		case err != nil:
			return left, taken, err
		default:
			taken += len(recs)
		}
		left = withPassed(left, gone...)
		if at = next; at.Compare(to) >= 0 {
			return left, taken, nil
		}
	}
}

// reread reads at most n records of a stretch, and says where to go on, and what of
// it cannot be read. A stretch that ends where it begins is one record.
func (p *Projection) reread(from, to journal.Position, n int) (recs []located, next journal.Position, gone []passed, err error) {
	next = to
	past := func(at journal.Position) bool { return at != from && at.Compare(to) >= 0 }
	err = p.journal.Scan(from, func(at journal.Position, frame []byte) error {
		if past(at) {
			return errEnough
		}
		if len(recs) == n {
			next = at
			return errEnough
		}
		r, err := event.Decode(bytes.Clone(frame))
		if err != nil {
			gone = append(gone, passedOver(at, at))
			return nil
		}
		recs = append(recs, located{rec: r, pos: at})
		return nil
	}, func(at, end journal.Position, _ string) error {
		if past(at) {
			return errEnough
		}
		if end.Compare(to) > 0 {
			end = to
		}
		gone = append(gone, passedOver(at, end))
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return recs, next, gone, err
}

// applyAgain applies records that lie before the cursor. What a change of rights
// concerns may lie behind them, so that every entity is folded again.
func (p *Projection) applyAgain(recs []located) error {
	if len(recs) == 0 {
		return nil
	}
	p.applier.Lock()
	defer p.applier.Unlock()
	if p.closed.Load() {
		return ErrClosed
	}
	p.twice = later(p.twice, p.cursor.pos)
	a := p.application(recs)
	a.whole = true
	moved, err := p.update(a, func() (cursor, error) {
		err := a.apply()
		if _, rights := a.touched[event.RightsKey]; err == nil && rights {
			a.unfolded = true
			err = a.w.Set(refoldKey, []byte{refoldEvery})
		}
		return p.cursor.wrote(p.counted(a.w.bytes)), err
	})
	if err != nil {
		return err
	}
	p.cursor = moved
	p.entitle(a.rights)
	if a.unfolded {
		p.backlog.leave(true)
	}
	p.opt.Applied()
	return nil
}

// remember puts in place of a stretch what is left of it.
func (p *Projection) remember(d retaken) error {
	p.applier.Lock()
	defer p.applier.Unlock()
	next := p.cursor
	others := slices.DeleteFunc(slices.Clone(next.passed), func(o passed) bool { return bytes.Equal(o, d.stretch) })
	next.passed = withPassed(others, d.left...)
	for {
		moved, err := p.update(p.application(nil), func() (cursor, error) { return next, nil })
		if errors.Is(err, index.ErrCovered) {
			continue
		}
		if err == nil {
			p.cursor = moved
		}
		return err
	}
}
