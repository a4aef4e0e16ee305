package store

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Who types waits for a core as much as for the disk. So while a person writes, work in
// bulk (to verify what a server sends, to fold it) keeps to one core, a piece at a time.

// personStays is how long a person counts as writing after the last entry.
const personStays = time.Second

// person is the one who writes at this replica.
type person struct {
	wrote atomic.Int64 // when, by the monotonic clock and 1 ns more; 0 for never
	bulk  sync.Mutex   // held through a piece of work in bulk while the person writes
}

// writes notes that a person writes at a moment. What the program itself writes has no
// author.
func (p *person) writes(now time.Duration, drafts []Draft) {
	if slices.ContainsFunc(drafts, func(d Draft) bool { return d.Author != "" }) {
		p.wrote.Store(int64(now) + 1)
	}
}

// here says that a person wrote a moment ago.
func (p *person) here(now time.Duration) bool {
	wrote := p.wrote.Load()
	return wrote != 0 && now-time.Duration(wrote-1) < personStays
}

// turn waits until a piece of work in bulk may begin, and gives what ends it. alone: it
// keeps to one core.
func (s *Store) turn() (alone bool, done func()) {
	switch {
	case s.opt.Turn != nil:
		return true, s.opt.Turn()
	case s.person.here(s.opt.Clock.Monotonic()):
		s.person.bulk.Lock()
		return true, s.person.bulk.Unlock
	}
	return false, func() {}
}
