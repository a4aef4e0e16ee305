package server

import (
	"context"
	"crypto/rand"
	"errors"
	"net"
	"path/filepath"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"thawtrail/internal/event"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/local"
)

// Bounds of one practice among many.
const (
	// mostLinks of one practice at once: far more than its laptops make.
	mostLinks = 1024
	// opensAgain is how long a practice that could not be opened is left alone.
	opensAgain = 5 * time.Second
)

// hosted is one practice of a host.
type hosted struct {
	name  string // of its folder
	dir   string
	print string // what its laptops call it by
	door  *local.Opened
	id    []byte // of its server as a device; nil for one of a database

	// guarded by the host's mu
	run    *run          // nil while it is closed
	failed time.Duration // when it could not be opened, by the host's monotonic clock; 0: it could
	rests  time.Duration // until when it is not opened for a backup, by the same clock

	kept     keptIndex     // of a practice of a database, while it is closed
	dropping chan struct{} // closed when its index is dropped; nil: nobody drops it
}

// run is a practice while it is open.
type run struct {
	inlet *inlet
	stop  context.CancelFunc
	open  chan struct{} // closed when it answers, or has failed
	done  chan struct{} // closed when all of it is closed
	saved chan error    // how its first backup went, or that none is due

	answered sync.Once

	// guarded by the host's mu
	links  int
	since  time.Duration // when it had its last link, by the host's monotonic clock
	ending bool
	err    error
}

// readHosted opens a folder for long enough to learn what its laptops call it by.
func (h *host) readHosted(name string) (*hosted, error) {
	p := &hosted{name: name, dir: filepath.Join(h.cfg.Practices, name)}
	home, err := h.unlock(p, trust.InFolder(p.dir))
	if err != nil {
		return nil, err
	}
	p.id = event.DeviceID(authority.Public(home.Device))
	p.print, err = printOf(home)
	return p, err
}

func (h *host) unlock(p *hosted, place trust.Place) (*trust.Home, error) {
	secret, err := h.cfg.Secret(p.name, place.Names)
	if err != nil {
		return nil, err
	}
	return openPractice(Config{Data: p.dir, Secret: secret, place: place})
}

// openDoor lets this machine's commands in, whether the practice is open or not.
func (h *host) openDoor(ctx context.Context, p *hosted) error {
	door, err := local.Open(p.dir, "", h.cfg.Doors, nil, rand.Reader)
	if err != nil {
		return err
	}
	p.door = door
	door.Say(h.cfg.Log.With("practice", p.name))
	if socket := door.Listener(); socket != nil {
		h.doors.Go(func() { h.accept(ctx, socket, func(conn net.Conn) { h.deliver(ctx, p, conn, true) }) })
	}
	return nil
}

var (
	errCrowded = errors.New("this practice has too many links")
	errFull    = errors.New("all places are taken by practices that have links: raise --open, or serve some elsewhere")
	errFailed  = errors.New("it could not be opened a moment ago; the host's log says why")
)

// enter hands a link to its practice, which is opened when it is not.
func (h *host) enter(ctx context.Context, p *hosted, conn net.Conn) {
	r, err := h.join(ctx, p)
	if err != nil {
		h.refuse(p, conn, err)
		return
	}
	r.inlet.give(authority.Counted(conn, func() { h.leave(r) }))
}

// reasonOf is a refusal as monitors count it.
func reasonOf(err error) string {
	switch {
	case errors.Is(err, errCrowded):
		return "crowded"
	case errors.Is(err, errFull):
		return "full"
	case errors.Is(err, errElsewhere) || errors.Is(err, errTwice) || another(err):
		return "elsewhere"
	}
	return "not opened"
}

// join waits until a practice is open, and counts a link to it.
func (h *host) join(ctx context.Context, p *hosted) (*run, error) {
	for {
		r, wait, err := h.reserve(ctx, p)
		if err != nil {
			return nil, err
		}
		if wait != nil {
			if !ends(ctx, wait) {
				return nil, ctx.Err()
			}
			continue
		}
		if !ends(ctx, r.open) {
			h.leave(r)
			return nil, ctx.Err()
		}
		h.mu.Lock()
		err = r.err
		h.mu.Unlock()
		if err != nil {
			h.leave(r)
			return nil, err
		}
		return r, nil
	}
}

// ends waits for a channel that is closed in the end.
func ends(ctx context.Context, c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	case <-ctx.Done():
		return false
	}
}

// reserve takes a place for a link, or says what to wait for.
func (h *host) reserve(ctx context.Context, p *hosted) (r *run, wait <-chan struct{}, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.cfg.Clock.Monotonic()
	switch {
	case ctx.Err() != nil:
		return nil, nil, ctx.Err()
	case p.run != nil && p.run.ending:
		return nil, p.run.done, nil
	case p.run != nil && p.run.links >= mostLinks:
		return nil, nil, errCrowded
	case p.run != nil:
		p.run.links++
		return p.run, nil, nil
	case p.dropping != nil:
		return nil, p.dropping, nil
	case p.failed != 0 && now-p.failed < opensAgain:
		return nil, nil, errFailed
	case h.open >= h.cfg.MostOpen:
		idle := h.idlest()
		if idle == nil {
			return nil, nil, errFull
		}
		idle.end()
		return nil, idle.done, nil
	}
	r = h.begin(ctx, p)
	r.links++
	return r, nil, nil
}

// idlest is the open practice without a link that had its last one first; one that is
// closing comes before all. The caller holds mu.
func (h *host) idlest() (out *run) {
	for _, p := range h.practices {
		r := p.run
		if r == nil || r.links > 0 && !r.ending {
			continue
		}
		if out == nil || r.ending && !out.ending || r.ending == out.ending && r.since < out.since {
			out = r
		}
	}
	return out
}

// end closes a practice. The caller holds the host's mu.
func (r *run) end() {
	r.ending = true
	r.stop()
}

// begin opens a practice. The caller holds mu.
func (h *host) begin(ctx context.Context, p *hosted) *run {
	ctx, stop := context.WithCancel(ctx)
	r := &run{inlet: newInlet(h.listener.Addr()), stop: stop, open: make(chan struct{}), done: make(chan struct{}), saved: make(chan error, 1), since: h.cfg.Clock.Monotonic()}
	p.run = r
	h.open++
	h.runs.Go(func() {
		defer stop()
		err := h.serve(ctx, p, r)
		_ = r.inlet.Close() // it never fails
		var kept keptIndex
		if h.cfg.Database != nil {
			kept = indexOf(p)
		}
		h.mu.Lock()
		r.err, r.ending, p.run, p.failed, p.kept = err, true, nil, 0, kept
		switch {
		case another(err):
			h.cfg.Log.Info("a practice is another process's", "practice", p.name, "error", err)
		case err != nil:
			p.failed = max(h.cfg.Clock.Monotonic(), 1)
			h.cfg.Log.Error("a practice ends", "practice", p.name, "error", err)
		}
		h.open--
		h.mu.Unlock()
		r.answers()
		close(r.done)
		select {
		case h.closes <- struct{}{}:
		default: // it will be looked at anyway
		}
	})
	return r
}

// answers says, once, that the practice answers or has failed.
func (r *run) answers() { r.answered.Do(func() { close(r.open) }) }

// serve is one practice from its opening to its end.
func (h *host) serve(ctx context.Context, p *hosted, r *run) error {
	began := h.cfg.Clock.Monotonic()
	if h.cfg.Database != nil {
		return h.leasedRun(ctx, p, func(ctx context.Context, place trust.Place) error { return h.serveAt(ctx, p, r, place, began) })
	}
	return h.serveAt(ctx, p, r, trust.InFolder(p.dir), began)
}

func (h *host) serveAt(ctx context.Context, p *hosted, r *run, place trust.Place, began time.Duration) error {
	home, err := h.unlock(p, place)
	if err != nil {
		return err
	}
	cfg := Config{
		Data: p.dir, Backups: h.backupsOf(p), Clock: h.cfg.Clock, Log: h.cfg.Log.With("practice", p.name), StateEvery: h.cfg.StateEvery,
		Ready: func(string) {
			h.opened.Observe((h.cfg.Clock.Monotonic() - began).Seconds())
			r.answers()
		},
		saved: func(err error) {
			select {
			case r.saved <- err:
			default: // the first one is enough
			}
		},
		door: p.door, turn: h.turn, room: h.room, atRest: func() { h.rested.Store(true) }, measures: prometheus.WrapRegistererWith(prometheus.Labels{"practice": p.name}, h.registry),
	}
	if err := cfg.fill(); err != nil {
		return err
	}
	return serve(ctx, cfg, home, r.inlet)
}

func (h *host) leave(r *run) {
	h.mu.Lock()
	defer h.mu.Unlock()
	r.links--
	r.since = h.cfg.Clock.Monotonic()
}
