package projection

import (
	"context"
	"errors"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// An entry is checked against what is known, and answered when it is saved. While
// thousands of records of other laptops are taken over, it must not wait for them
// to be folded: what this device wrote, and what is urgent, is applied with
// priority. When the cursor comes to it, it is applied a second time, which
// changes nothing.

// maxPriority bounds the records of one transaction out of turn; with no more than
// that behind, all are simply caught up with.
const maxPriority = 256

// ViewOwn is View that passes every record of this device and every urgent one
// that was saved before the call, but perhaps not all of other devices' ordinary
// records: those that arrived a moment ago look as if they had not come yet.
func (p *Projection) ViewOwn(ctx context.Context, fn func(*Snapshot) error) error {
	if p.Behind() <= maxPriority {
		return p.View(ctx, fn)
	}
	err := p.ApplyPriority(ctx)
	if errors.Is(err, index.ErrTooBig) || errors.Is(err, index.ErrNoSpace) {
		return p.View(ctx, fn)
	}
	if err != nil {
		return err
	}
	return p.index.View(func(r index.Reader) error { return fn(&Snapshot{p, r}) })
}

// ApplyPriority applies what must not wait, and leaves the cursor where it is.
func (p *Projection) ApplyPriority(ctx context.Context) error {
	p.applier.LockFirst()
	defer p.applier.UnlockFirst()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if p.closed.Load() {
			return ErrClosed
		}
		recs, err := p.readPriority()
		if err != nil || len(recs) == 0 {
			return err
		}
		if err := p.applyPriority(recs); err != nil && !errors.Is(err, index.ErrCovered) {
			return err
		}
	}
}

// applyPriority applies records without moving the cursor.
func (p *Projection) applyPriority(recs []located) error {
	a := p.application(recs)
	moved, err := p.update(a, func() (cursor, error) {
		err := a.apply()
		return p.cursor.wrote(p.counted(a.w.bytes)).saw(recs), err
	})
	if err != nil {
		return err
	}
	p.cursor, p.prioritized = moved, recs[len(recs)-1].pos
	p.entitle(a.rights)
	if a.unfolded {
		p.backlog.leave(true)
	}
	return nil
}

// readPriority reads the next records that must not wait, in the journal's order.
// One that cannot be read is left to the cursor.
func (p *Projection) readPriority() ([]located, error) {
	var out []located
	for _, at := range p.priorityPositions() {
		r, err := p.RecordAt(at)
		switch {
		case errors.Is(err, journal.ErrDamaged):
		case err != nil:
			return nil, err
		default:
			out = append(out, located{rec: r, pos: at})
		}
	}
	return out, nil
}

func (p *Projection) priorityPositions() []journal.Position {
	var out []journal.Position
	for log, tail := range p.backlog.byLog() {
		if !p.mustNotWait(log) {
			continue
		}
		for _, t := range tail {
			if t.pos.Compare(p.prioritized) > 0 {
				out = append(out, t.pos)
			}
		}
	}
	slices.SortFunc(out, journal.Position.Compare)
	return out[:min(len(out), maxPriority)]
}

// mustNotWait says that a log's records are applied with priority: those of this
// device, and the urgent ones.
func (p *Projection) mustNotWait(log event.LogID) bool {
	l, ok := p.opt.Logs.Log(log)
	return ok && (l.Lane == pb.Lane_LANE_URGENT || l.Key.Equal(p.opt.Device))
}
