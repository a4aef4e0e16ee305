package store

import (
	"context"
	"errors"

	"thawtrail/internal/store/index"
)

// A nearly full disk must not keep tonight's records out. The journal has a
// reserve for them; the index, which can be rebuilt, stops growing before the
// disk is full. Then answers come from what it held last, or, when the replica
// is opened in that state, from an index in memory.

const noRoom = "the disk is nearly full: entries are still saved, but the index cannot grow. Make room, then start again"

// catchUpIfRoom catches up unless the disk is nearly full: an answer that is a
// little old is better than none.
func (s *Store) catchUpIfRoom(ctx context.Context) error {
	err := s.CatchUp(ctx)
	if !errors.Is(err, index.ErrNoSpace) {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.repaired(noRoom)
	return nil
}

// restoreWithRoom restores the replica, in memory when the disk has no room for
// the index.
func (s *Store) restoreWithRoom(ctx context.Context) error {
	err := s.restore(ctx)
	if !errors.Is(err, index.ErrNoSpace) {
		return err
	}
	s.repaired(noRoom)
	fresh, err := prepare(s.opt)
	if err != nil {
		return err
	}
	s.logs, s.own, s.seen, s.cursor, s.rights, s.unclean = fresh.logs, fresh.own, fresh.seen, cursor{}, nil, false
	closing := s.index.Close()
	s.index = index.NewMemory()
	if err := s.restore(ctx); err != nil {
		return errors.Join(err, closing)
	}
	return nil
}
