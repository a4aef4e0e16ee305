package store

import (
	"fmt"
	"log/slog"
	"slices"
	"sync"

	"thawtrail/internal/store/journal"
)

// damageReport is what was found and mended, for people.
type damageReport struct {
	logger *slog.Logger
	mu     sync.RWMutex // guards the fields below

	repairs []string        // at most maxRepairs
	holes   []journal.Range // the stretches in question, at most maxHoles
}

const (
	maxRepairs = 50
	maxHoles   = 1000
)

// add notes what a person should know.
func (d *damageReport) add(line string) {
	d.logger.Warn(line)
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.repairs) < maxRepairs && !slices.Contains(d.repairs, line) {
		d.repairs = append(d.repairs, line)
	}
}

// addHole notes a stretch that cannot be read; false when it is known already. Of more than
// maxHoles the nearest are taken as one, so that none goes unnoticed.
func (d *damageReport) addHole(r journal.Range) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if slices.ContainsFunc(d.holes, func(h journal.Range) bool { return h.Contains(r) }) {
		return false
	}
	d.holes = journal.JoinNearest(append(d.holes, r), maxHoles)
	return true
}

// heal puts in place of each stretch what is left of it, and says whether that is less:
// damage that comes later where the disk was well again is new.
func (d *damageReport) heal(left func(journal.Range) []journal.Range) (healed bool) {
	d.mu.RLock()
	known := slices.Clone(d.holes)
	d.mu.RUnlock()
	var now []journal.Range
	for _, r := range known {
		now = append(now, left(r)...)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	was := slices.Clone(d.holes)
	for _, r := range was { // what was met meanwhile stays
		if !slices.Contains(known, r) {
			now = append(now, r)
		}
	}
	d.holes = journal.JoinNearest(now, maxHoles)
	return !slices.EqualFunc(d.holes, was, func(a, b journal.Range) bool { return a.From == b.From && a.To == b.To })
}

func (d *damageReport) lines() []string {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return slices.Clone(d.repairs)
}

// anyAfter says that damage reaches beyond a position.
func (d *damageReport) anyAfter(p journal.Position) bool {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return slices.ContainsFunc(d.holes, func(h journal.Range) bool { return h.To.Compare(p) > 0 })
}

func (d *damageReport) standing() int {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return len(d.holes)
}

func (d *damageReport) any() bool {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return len(d.holes) > 0
}

// damaged notes a stretch of the journal that cannot be read. Any log may have
// lost records there, those of this device too.
func (s *Store) damaged(from, to journal.Position, reason string) {
	if !s.report.addHole(journal.Range{From: from, To: to, Reason: reason}) {
		return
	}
	s.logs.suspectAll()
	s.projection.Doubt()
	s.author.damaged(to)
	s.holes.Add(1)
	s.signals.save() // whoever can have it fetched again, or save again what stands behind it
	s.report.add(fmt.Sprintf("the journal is damaged from %s to %s (%s); what lay there is fetched again from whoever holds it", from, to, reason))
}

// Repairs says what was found damaged and mended since the replica was opened.
func (s *Store) Repairs() []string { return s.report.lines() }

// Holes counts the stretches of the journal that were found unreadable since the
// replica was opened.
func (s *Store) Holes() uint64 { return s.holes.Load() }

// Unreadable counts the stretches of the journal that cannot be read now, as far as that
// was met: a disk that recovers makes them fewer.
func (s *Store) Unreadable() int { return s.report.standing() }
