package pins

import "time"

// Idle is how long a proof holds, and a session stays open, while nobody types there.
//
// While plasma runs the patient is looked at every quarter of an hour at the
// longest, and each look is typed. Twenty minutes last from look to look with five
// to spare for a struggling foal; who has missed a look altogether has most likely
// left the laptop. (The interval is that of the vitals; the five minutes are ours.)
const Idle = 20 * time.Minute

// A clock that was set back by more than this proves nothing about the time that
// went by.
const clockSlack = time.Minute

// Session is one place where somebody types: the id of a browser's session, or the
// command line.
type Session string

// CommandLine is the session of this machine's commands. It is never locked: its lock
// is that of the machine's own screen.
const CommandLine Session = ""

// maxSessions bounds what is remembered; the one that was used longest ago is
// forgotten, and counts as one that was never seen.
const maxSessions = 256

// signedOn is who types in a session.
type signedOn struct {
	person string
	proven time.Time // zero: without proof
	used   time.Time // when somebody last typed there
	locked bool
}

// wall is the time by the wall clock alone: a monotonic one stands still on some
// systems while the laptop sleeps.
func (b *Registry) wall() time.Time { return b.now().Round(0) }

// at finds a session as it is now; the caller holds the lock. One that is not known is
// locked when anybody has a PIN here.
func (b *Registry) at(session Session) *signedOn {
	now := b.wall()
	s, ok := b.sessions[session]
	if !ok {
		s = &signedOn{used: now, locked: session != CommandLine && len(b.people) > 0}
		b.forget()
		b.sessions[session] = s
	}
	if idle := now.Sub(s.used); idle > Idle || idle < -clockSlack {
		s.proven = time.Time{}
		if session != CommandLine && len(b.people) > 1 {
			b.shut(s)
		}
	}
	return s
}

// forget makes room for one more session.
func (b *Registry) forget() {
	if len(b.sessions) < maxSessions {
		return
	}
	var oldest Session
	for id, s := range b.sessions {
		if id != CommandLine && (oldest == CommandLine || s.used.Before(b.sessions[oldest].used)) {
			oldest = id
		}
	}
	delete(b.sessions, oldest)
}

func (b *Registry) shut(s *signedOn) {
	s.proven = time.Time{}
	if !s.locked {
		s.locked = true
		b.tell()
	}
}

// tell wakes who waits for Changed.
func (b *Registry) tell() {
	close(b.changed)
	b.changed = make(chan struct{})
}

// Changed is closed when a session is locked or opened.
func (b *Registry) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// Enter opens a session for somebody who was let in anew.
func (b *Registry) Enter(session Session) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(session)
	s.used, s.locked = b.wall(), false
}

// Use says that somebody types there now. A locked session stays locked, and a proof
// that has ended stays ended.
func (b *Registry) Use(session Session) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.at(session).used = b.wall()
}

// Switch says who types there from now on. With the right PIN this is proven; else
// the person is switched to without proof, and the error says why.
func (b *Registry) Switch(session Session, person, pin string) error {
	proven, err := b.Prove(person, pin)
	b.signOn(session, person, proven, false)
	return err
}

func (b *Registry) signOn(session Session, person string, proven time.Time, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(session)
	s.person, s.proven, s.used = person, proven, b.wall()
	if open && s.locked {
		s.locked = false
		b.tell()
	}
}

// Current is who types there now, and when that was proven; zero for never.
func (b *Registry) Current(session Session) (person string, proven time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.at(session)
	return s.person, s.proven
}

// Lock locks a session and ends its proof.
func (b *Registry) Lock(session Session) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if session != CommandLine {
		b.shut(b.at(session))
	}
}

// Locked says that a session is locked.
func (b *Registry) Locked(session Session) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at(session).locked
}

// Unlock opens a session with a person's PIN. Any other one leaves it locked; the error
// says why.
func (b *Registry) Unlock(session Session, person, pin string) error {
	proven, err := b.Prove(person, pin)
	if err == nil {
		b.signOn(session, person, proven, true)
	}
	return err
}

// GoOn opens a session for a person without proof: a forgotten PIN stops nobody.
func (b *Registry) GoOn(session Session, person string) { b.signOn(session, person, time.Time{}, true) }

// Any says that somebody has a PIN here, so that a lock keeps somebody out.
func (b *Registry) Any() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.people) > 0
}

// People lists who has a PIN here, in no order.
func (b *Registry) People() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]string, 0, len(b.people))
	for p := range b.people {
		out = append(out, p)
	}
	return out
}
