package page

import (
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
	select {
	case s.live <- struct{}{}:
		defer func() { <-s.live }()
	default:
		http.Error(v.w, say("door.many"), http.StatusServiceUnavailable)
		return nil
	}
	h := v.w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	out := http.NewResponseController(v.w)
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	name := "hello"
	for {
		changed, seats := s.cfg.Replica.Store.Changed(), v.seatsChanged()
		if _, err := fmt.Fprintf(v.w, "event: %s\ndata: %d\n\n", name, s.cfg.Clock.Now().UnixMilli()); err != nil {
			return nil
		}
		if err := out.Flush(); err != nil {
			return nil
		}
		select {
		case <-v.r.Context().Done():
			return nil
		case <-s.wake:
			return nil
		case <-beat.C:
			name = "beat"
		case <-seats:
			name = "wake"
		case <-changed:
			name = "wake"
			select {
			case <-time.After(gather):
			case <-s.wake:
				return nil
			}
		}
	}
}
