package replication

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// Damage may take a record of this laptop that the server never had: then the server
// takes none that follow it in its log. Whether it has it is known once it was asked
// and gave all that it had. What is stranded then is saved again in a new log.

// ErrLost ends a session: damage was found after the other side was asked, and it
// holds what is gone.
var ErrLost = errors.New("records were found to be damaged here: the server is asked for them")

// savingAgain is the part of the program that people see when this fails.
const savingAgain = "saving again what damage cut off"

// SaveAgain saves again what is stranded on this laptop and what the other side cannot
// give back. It comes after the other side has said that it gave all that it had.
func (s *Session) SaveAgain(ctx context.Context) error {
	ask := false
	_, err := s.link.store.SaveAgain(ctx, func(log event.LogID, seq uint64) bool {
		theirs, gives := exchange.Gives(s.theirs, log, seq)
		if !gives && !s.link.ackedPast(log, seq) {
			return false
		}
		if _, had := exchange.Gives(s.asked, log, seq); !had {
			return len(theirs.Tips) < 2 // it was asked; of a fork it may hold another branch
		}
		ask = true
		return true
	})
	if err == nil && ask {
		return ErrLost
	}
	return err
}

// ackedPast says that the other side acknowledged a log up to a place or farther.
func (l *Link) ackedPast(log event.LogID, seq uint64) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	tip, ok := l.acked[log]
	return ok && tip.Seq >= seq
}

// saveAgain does so once the other side has given what it had, and whenever more
// damage is found. What fails is told and tried again: the session goes on.
func (s *Session) saveAgain(ctx context.Context, caughtUp <-chan struct{}) error {
	l := s.link
	select {
	case <-ctx.Done():
		return nil
	case <-caughtUp:
	}
	for {
		holes := l.store.Holes()
		err := s.SaveAgain(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, ErrLost):
			return err
		case err != nil:
			l.replica.Parts.Fail(savingAgain, err, l.clock.Now())
		default:
			l.replica.Parts.Works(savingAgain)
		}
		if err != nil {
			pause(ctx, roomTick)
		} else {
			l.untilDamage(ctx, holes)
		}
	}
}

// rescue saves again what is stranded in the server's own logs, once a laptop got all
// that can be sent and lacks what is gone: it would wait before the hole for ever. One
// that has it gives it back instead. What fails is told, and tried with the next stream.
func (p *Stream) rescue() {
	holes := p.x.Store.Holes()
	if !p.x.Hub || holes == p.holes {
		return
	}
	_, err := p.x.Store.SaveAgain(p.ctx, func(log event.LogID, seq uint64) bool { return !p.pusher.Lack(log, seq) })
	if err != nil {
		p.x.Parts.Fail(savingAgain, err, p.x.Clock.Now())
		return
	}
	p.holes = holes
	p.x.Parts.Works(savingAgain)
}

// untilDamage returns when more damage was found than a count, or ctx ends.
func (l *Link) untilDamage(ctx context.Context, holes uint64) {
	for ctx.Err() == nil {
		saved := l.store.Saved()
		if l.store.Holes() != holes {
			return
		}
		select {
		case <-ctx.Done():
		case <-saved:
		}
	}
}

// pause waits, or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
