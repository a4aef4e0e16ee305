package pins

import "time"

// Idle is how long a proof holds, and a seat stays open, while nobody types there.
//
// While plasma runs the patient is looked at every quarter of an hour at the
// longest, and each look is typed. Twenty minutes last from look to look with five
// to spare for a struggling foal; who has missed a look altogether has most likely
// left the laptop. (The interval is that of the vitals; the five minutes are ours.)
const Idle = 20 * time.Minute

// A clock that was set back by more than this proves nothing about the time that
// went by.
const clockSlack = time.Minute

// Seat is one place where somebody types: the id of a browser's session, or the
// command line.
type Seat string

// CommandLine is the seat of this machine's commands. It is never locked: its lock
// is that of the machine's own screen.
const CommandLine Seat = ""

// maxSeats bounds what is remembered; the one that was used longest ago is
// forgotten, and counts as one that was never seen.
const maxSeats = 256

// sitter is who sits somewhere.
type sitter struct {
	person string
	proven time.Time // zero: without proof
	used   time.Time // when somebody last typed there
	locked bool
}

// wall is the time by the wall clock alone: a monotonic one stands still on some
// systems while the laptop sleeps.
func (b *Book) wall() time.Time { return b.now().Round(0) }

// at finds a seat as it is now; the caller holds the lock. One that is not known is
// locked when anybody has a PIN here.
func (b *Book) at(seat Seat) *sitter {
	now := b.wall()
	s, ok := b.seats[seat]
	if !ok {
		s = &sitter{used: now, locked: seat != CommandLine && len(b.people) > 0}
		b.forget()
		b.seats[seat] = s
	}
	if idle := now.Sub(s.used); idle > Idle || idle < -clockSlack {
		s.proven = time.Time{}
		if seat != CommandLine && len(b.people) > 1 {
			b.shut(s)
		}
	}
	return s
}

// forget makes room for one more seat.
func (b *Book) forget() {
	if len(b.seats) < maxSeats {
		return
	}
	var oldest Seat
	for id, s := range b.seats {
		if id != CommandLine && (oldest == CommandLine || s.used.Before(b.seats[oldest].used)) {
			oldest = id
		}
	}
	delete(b.seats, oldest)
}

func (b *Book) shut(s *sitter) {
	s.proven = time.Time{}
	if !s.locked {
		s.locked = true
		b.tell()
	}
}

// tell wakes who waits for Changed.
func (b *Book) tell() {
	close(b.changed)
	b.changed = make(chan struct{})
}

// Changed is closed when a seat is locked or opened.
func (b *Book) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// Enter opens a seat for somebody who was let in anew.
func (b *Book) Enter(seat Seat) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(seat)
	s.used, s.locked = b.wall(), false
}

// Use says that somebody types there now. A locked seat stays locked, and a proof
// that has ended stays ended.
func (b *Book) Use(seat Seat) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.at(seat).used = b.wall()
}

// Switch says who types there from now on. With the right PIN this is proven; else
// the person is switched to without proof, and the error says why.
func (b *Book) Switch(seat Seat, person, pin string) error {
	proven, err := b.Prove(person, pin)
	b.sit(seat, person, proven, false)
	return err
}

func (b *Book) sit(seat Seat, person string, proven time.Time, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(seat)
	s.person, s.proven, s.used = person, proven, b.wall()
	if open && s.locked {
		s.locked = false
		b.tell()
	}
}

// Current is who types there now, and when that was proven; zero for never.
func (b *Book) Current(seat Seat) (person string, proven time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(seat)
	return s.person, s.proven
}

// Lock locks a seat and ends its proof.
func (b *Book) Lock(seat Seat) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if seat != CommandLine {
		b.shut(b.at(seat))
	}
}

// Locked says that a seat is locked.
func (b *Book) Locked(seat Seat) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at(seat).locked
}

// Unlock opens a seat with a person's PIN. Any other one leaves it locked; the error
// says why.
func (b *Book) Unlock(seat Seat, person, pin string) error {
	proven, err := b.Prove(person, pin)
	if err == nil {
		b.sit(seat, person, proven, true)
	}
	return err
}

// GoOn opens a seat for a person without proof: a forgotten PIN stops nobody.
func (b *Book) GoOn(seat Seat, person string) { b.sit(seat, person, time.Time{}, true) }

// Any says that somebody has a PIN here, so that a lock keeps somebody out.
func (b *Book) Any() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.people) > 0
}

// People lists who has a PIN here, in no order.
func (b *Book) People() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]string, 0, len(b.people))
	for p := range b.people {
		out = append(out, p)
	}
	return out
}
