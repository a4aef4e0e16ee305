// Package guess slows down whoever guesses a one-time code. Some wrong tries may
// come at once, since people mistype; then one more in each stretch of time.
package guess

import "time"

// Limit counts wrong tries of all who try, together. It is not safe for
// concurrent use: the book that it guards has a lock.
type Limit struct {
	most    int
	each    time.Duration
	left    int
	counted time.Time // until when time was turned into tries
}

// New begins a limit: most wrong tries at once, then one in each.
func New(most int, each time.Duration, now time.Time) *Limit {
	return &Limit{most: most, each: each, left: most, counted: now}
}

// Allows says whether a code may be looked at now. Time that has gone by gives
// tries back; a clock that was set back gives none.
func (l *Limit) Allows(now time.Time) bool {
	passed := now.Sub(l.counted)
	n := passed / l.each
	switch {
	case passed < 0:
		l.counted = now
	case n >= time.Duration(l.most-l.left):
		l.left, l.counted = l.most, now // time is not saved up for a burst
	default:
		l.left += int(n)
		l.counted = l.counted.Add(n * l.each)
	}
	return l.left > 0
}

// Wrong counts a wrong try that Allows let through.
func (l *Limit) Wrong() { l.left-- }
