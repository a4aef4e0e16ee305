package projection

import "sync"

// turnstile lets one in at a time. Whoever must not wait goes before all others who
// wait: a bulk fold that comes back again and again would else be in before them.
type turnstile struct {
	others sync.Mutex // held by the one of the others who waits, or is in
	next   sync.Mutex // held by who is the next to go in
	inside sync.Mutex
}

// Lock waits for its turn.
func (t *turnstile) Lock() {
	t.others.Lock()
	t.LockFirst()
}

// Unlock ends what Lock began.
func (t *turnstile) Unlock() {
	t.UnlockFirst()
	t.others.Unlock()
}

// LockFirst waits for the one who is in, and for others who go first.
func (t *turnstile) LockFirst() {
	t.next.Lock()
	t.inside.Lock()
	t.next.Unlock()
}

// UnlockFirst ends what LockFirst began.
func (t *turnstile) UnlockFirst() { t.inside.Unlock() }
