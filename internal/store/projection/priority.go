package store

import (
	"context"
	"errors"
	"slices"

	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// An entry is checked against what is known, and answered when it is saved. While
// thousands of records of other laptops are taken over, it must not wait for them
// to be folded: what this device wrote, and what is urgent, is folded out of its
// turn. When the cursor comes to it, it is applied a second time, which changes
// nothing.

// maxExpress bounds the records of one transaction out of turn; with no more than
// that behind, all are simply caught up with.
const maxExpress = 256

// ViewOwn is View that passes every record of this device and every urgent one
// that was saved before the call, but perhaps not all of other devices' ordinary
// records: those that arrived a moment ago look as if they had not come yet.
func (s *Store) ViewOwn(ctx context.Context, fn func(*Snapshot) error) error {
	if s.behindBy() <= maxExpress {
		return s.View(ctx, fn)
	}
	err := s.express(ctx)
	if errors.Is(err, index.ErrTooBig) || errors.Is(err, index.ErrNoSpace) {
		return s.View(ctx, fn)
	}
	if err != nil {
		return err
	}
	return s.index.View(func(r index.Reader) error { return fn(&Snapshot{s, r}) })
}

// express applies what must not wait.
func (s *Store) express(ctx context.Context) error {
	s.applier.Lock()
	defer s.applier.Unlock()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s.isClosed() {
			return ErrClosed
		}
		recs, err := s.readExpress()
		if err != nil || len(recs) == 0 {
			return err
		}
		if err := s.applyExpress(recs); err != nil {
			return err
		}
	}
}

// applyExpress applies records without moving the cursor.
func (s *Store) applyExpress(recs []located) error {
	a := s.application(recs)
	moved, err := s.update(a, func() (cursor, error) {
		err := a.apply()
		return s.cursor.wrote(a.w.bytes), err
	})
	if err != nil {
		return err
	}
	s.cursor, s.expressed = moved, recs[len(recs)-1].pos
	s.entitle(a.rights)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending = s.pending || a.pending
	return nil
}

// readExpress lists the next records that must not wait, in the journal's order.
// One that cannot be read is left to the cursor.
func (s *Store) readExpress() ([]located, error) {
	var out []located
	for _, p := range s.expressPositions() {
		r, err := s.recordAt(p)
		switch {
		case errors.Is(err, journal.ErrDamaged):
		case err != nil:
			return nil, err
		default:
			out = append(out, located{rec: r, pos: p})
		}
	}
	return out, nil
}

func (s *Store) expressPositions() []journal.Position {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []journal.Position
	for _, l := range s.logs {
		if l.Lane != pb.Lane_LANE_URGENT && !l.Key.Equal(s.public) {
			continue
		}
		for _, t := range l.tail {
			if t.pos.Compare(s.expressed) > 0 {
				out = append(out, t.pos)
			}
		}
	}
	slices.SortFunc(out, journal.Position.Compare)
	return out[:min(len(out), maxExpress)]
}
