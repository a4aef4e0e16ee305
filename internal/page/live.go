package page

import (
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Pace of the live stream: changes that come together wake a page once.
const (
	gather    = 50 * time.Millisecond
	heartbeat = 20 * time.Second
)

// stream tells a page, as server-sent events, that something was saved; the page
// then fetches its live parts again. Each event carries this machine's clock.
func (s *Site) stream(v *visit) error {
	cut, leave, ok := s.place(v.sess)
	if !ok {
		http.Error(v.w, say("door.many"), http.StatusServiceUnavailable)
		return nil
	}
	defer leave()
	h := v.w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	out := http.NewResponseController(v.w)
	if err := errors.Join(out.SetReadDeadline(time.Time{}), out.SetWriteDeadline(time.Time{})); err != nil {
		return err // a stream outlives the time of an answer
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	name := "hello"
	for {
		changed, seats, phones := s.cfg.Replica.Store.Changed(), v.seatsChanged(), s.phonesChanged(v.sess)
		if _, err := fmt.Fprintf(v.w, "id: %d\nevent: %s\ndata: %d\n\n", s.cfg.Replica.Store.Changes(), name, s.cfg.Clock.Now().UnixMilli()); err != nil {
			return nil
		}
		if err := out.Flush(); err != nil {
			return nil
		}
		select {
		case <-v.r.Context().Done():
			return nil
		case <-cut:
			return nil
		case <-beat.C:
			name = "beat"
			continue
		case <-seats:
			name = "wake" // a lock waits for nothing
			continue
		case <-phones:
		case <-changed:
		}
		name = "wake"
		select {
		case <-time.After(gather):
		case <-v.r.Context().Done():
			return nil
		case <-cut:
			return nil
		}
	}
}

// place takes a place for a stream: phones have their own, so that they cannot
// take all of this machine's. cut is closed when the session ends.
func (s *Site) place(sess *session) (cut <-chan struct{}, leave func(), ok bool) {
	if sess.phone {
		return s.cfg.Phones.Book.Stream(sess.id)
	}
	select {
	case s.live <- struct{}{}:
		return nil, func() { <-s.live }, true
	default:
		return nil, nil, false
	}
}

// phonesChanged wakes the pages of this machine that show the phones.
func (s *Site) phonesChanged(sess *session) <-chan struct{} {
	if sess.phone || s.cfg.Phones == nil {
		return nil
	}
	return s.cfg.Phones.Book.Changed()
}
