package store

import "sync"

// signals wake whoever waits for something new.
type signals struct {
	mu sync.RWMutex // guards the fields below

	changed chan struct{} // closed and replaced when something came or was folded
	changes uint64        // how often that happened
	saved   chan struct{} // closed and replaced when something came
}

func newSignals() signals {
	return signals{changed: make(chan struct{}), saved: make(chan struct{})}
}

// save wakes whoever waits for new records, and for any change.
func (s *signals) save() {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.saved)
	s.saved = make(chan struct{})
	s.change()
}

// fold wakes whoever waits for any change.
func (s *signals) fold() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.change()
}

// change counts one; mu is held.
func (s *signals) change() {
	close(s.changed)
	s.changed = make(chan struct{})
	s.changes++
}

// Changed is closed when a record was saved or folded after the call.
func (s *Store) Changed() <-chan struct{} {
	s.signals.mu.RLock()
	defer s.signals.mu.RUnlock()
	return s.signals.changed
}

// Changes counts what came and what was folded: between two equal counts nothing
// changed.
func (s *Store) Changes() uint64 {
	s.signals.mu.RLock()
	defer s.signals.mu.RUnlock()
	return s.signals.changes
}

// Saved is closed when a record was saved after the call.
func (s *Store) Saved() <-chan struct{} {
	s.signals.mu.RLock()
	defer s.signals.mu.RUnlock()
	return s.signals.saved
}
