package site

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"thawtrail/internal/web/words"
)

// Pace of the live stream: the first change wakes a page at once, and those that come
// in the moment after it once more.
const (
	gather    = 50 * time.Millisecond
	heartbeat = 20 * time.Second
)

// Stream tells a page, as server-sent events, that something was saved; the page
// then fetches its live parts again. Each event carries this machine's clock.
func Stream(req *Request) error {
	cut, leave, ok := req.Site.place(req.Session)
	if !ok {
		http.Error(req.W, words.Say("door.many"), http.StatusServiceUnavailable)
		return nil
	}
	defer leave()
	h := req.W.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	out := http.NewResponseController(req.W)
	if err := errors.Join(out.SetReadDeadline(time.Time{}), out.SetWriteDeadline(time.Time{})); err != nil {
		return err // a stream outlives the time of an answer
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	name := "hello"
	for {
		changed, locks, phones, script := req.Site.Replica.Store.Changed(), req.locksChanged(), req.Site.phonesChanged(req.Session), req.Site.sceneChanged()
		if _, err := fmt.Fprintf(req.W, "id: %d\nevent: %s\ndata: %d\n\n", req.Site.Replica.Store.Changes(), name, req.Site.Clock.Now().UnixMilli()); err != nil {
			return nil
		}
		if err := out.Flush(); err != nil {
			return nil
		}
		name = "wake"
		rested := time.After(gather)
		select {
		case <-req.Context().Done():
			return nil
		case <-cut:
			return nil
		case <-beat.C:
			name = "beat"
			continue
		case <-locks:
			continue // a lock waits for nothing
		case <-phones:
		case <-script:
		case <-changed:
		}
		select {
		case <-rested:
		case <-req.Context().Done():
			return nil
		case <-cut:
			return nil
		}
	}
}

// place takes a place for a stream: phones have their own, so that they cannot
// take all of this machine's. cut is closed when the session ends.
func (s *Site) place(sess *Session) (cut <-chan struct{}, leave func(), ok bool) {
	if sess.Phone {
		return s.Phones.Registry.Stream(sess.ID)
	}
	select {
	case s.live <- struct{}{}:
		return nil, func() { <-s.live }, true
	default:
		return nil, nil, false
	}
}

// phonesChanged wakes the pages of this machine that show the phones.
func (s *Site) phonesChanged(sess *Session) <-chan struct{} {
	if sess.Phone || s.Phones == nil {
		return nil
	}
	return s.Phones.Registry.Changed()
}

// sceneChanged wakes the pages of a rehearsal when something in it came about by itself,
// and those of the real laptop when one has begun or ended.
func (s *Site) sceneChanged() <-chan struct{} {
	switch r := s.Replica; {
	case r.Script != nil:
		return r.Script.Changed()
	case r.Rehearsals != nil:
		return r.Rehearsals.Changed()
	}
	return nil
}
