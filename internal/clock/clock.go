// Package clock is the only place that reads the machine's clocks.
//
// Everything else is given a Clock. Wall time carries no monotonic reading, so
// that differences across a laptop's sleep are true; Monotonic counts sleep
// where the system offers it.
package clock

import (
	"sync"
	"sync/atomic"
	"time"
)

// Clock tells the time.
type Clock interface {
	// Now is the wall clock, stripped of its monotonic reading.
	Now() time.Time
	// Monotonic is time since an arbitrary start that no one can set, counting
	// sleep where the system offers it.
	Monotonic() time.Duration
}

// System is the machine's clock.
type System struct{}

// Now implements Clock.
func (System) Now() time.Time { return time.Now().Round(0) }

// Monotonic implements Clock.
func (System) Monotonic() time.Duration { return monotonic() }

var start = time.Now()

// Manual is a clock that moves only when told: for tests, simulation and the
// demo's tellings. It is safe for concurrent use.
type Manual struct {
	mu   sync.Mutex
	wall time.Time
	mono time.Duration
}

// NewManual begins at the given wall time.
func NewManual(wall time.Time) *Manual { return &Manual{wall: wall.Round(0)} }

// Now implements Clock.
func (m *Manual) Now() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.wall
}

// Monotonic implements Clock.
func (m *Manual) Monotonic() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.mono
}

// Advance lets time pass on both clocks.
func (m *Manual) Advance(d time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wall = m.wall.Add(d)
	m.mono += d
}

// SetWall sets the wall clock alone, as a person or a flat battery does.
func (m *Manual) SetWall(t time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wall = t.Round(0)
}

// Ahead is another clock, some time on: for a rehearsal, in which nobody waits until
// a bag is thawed. It is safe for concurrent use.
type Ahead struct {
	Clock
	by atomic.Int64
}

// Now implements Clock.
func (a *Ahead) Now() time.Time { return a.Clock.Now().Add(a.By()) }

// Monotonic implements Clock.
func (a *Ahead) Monotonic() time.Duration { return a.Clock.Monotonic() + a.By() }

// By is how far it is ahead.
func (a *Ahead) By() time.Duration { return time.Duration(a.by.Load()) }

// Advance puts it further ahead.
func (a *Ahead) Advance(d time.Duration) { a.by.Add(int64(d)) }
