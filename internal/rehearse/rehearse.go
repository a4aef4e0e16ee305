package rehearse

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"thawtrail/internal/clock"
)

// Config says how a rehearsal runs.
type Config struct {
	Listen string // loopback address of its laptop for commands; any free one when empty
	Pages  string // loopback address of its pages; any free one when empty
	Zone   string // of the practice, by its name in the tz database; UTC when empty
	// Real is the address of the real agent of this laptop, whose alarms are told;
	// RealPages opens its pages. Empty: none is known.
	Real, RealPages string
	Clock           clock.Clock  // the machine's when nil
	Log             *slog.Logger // discarded when nil
	// Ready is told where a rehearsal answers, and again for each that takes its place.
	Ready func(Place)
	// Calm is how long the bag lies in the bath until the clinic calls; a few seconds
	// when zero.
	Calm time.Duration
}

// Place is where a rehearsal answers.
type Place struct {
	Rehearsal bool   `json:"rehearsal"` // always
	Pages     string `json:"pages"`     // opens its pages once
	Address   string `json:"address"`   // of its agent, for commands
}

const (
	calm = 6 * time.Second
	// answered is how long an answer to the press that ends a rehearsal may take.
	answered = 2 * time.Second
)

func (c *Config) fill() {
	if c.Listen == "" {
		c.Listen = "127.0.0.1:0"
	}
	if c.Pages == "" {
		c.Pages = "127.0.0.1:0"
	}
	if c.Zone == "" {
		c.Zone = "UTC"
	}
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Ready == nil {
		c.Ready = func(Place) {}
	}
	if c.Calm == 0 {
		c.Calm = calm
	}
}

// Run plays rehearsals until ctx ends or the vet throws the last one away. Then nothing
// of them is on the disk.
func Run(ctx context.Context, cfg Config) error {
	cfg.fill()
	if err := sweep(); err != nil {
		cfg.Log.Warn("what an earlier rehearsal left could not be removed", "error", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s := &stage{cfg: cfg, ctx: ctx, over: make(chan error, 1)}
	first, err := s.begin(ctx, cfg.Listen, cfg.Pages)
	if err != nil {
		return err
	}
	s.act = first
	cfg.Ready(first.place)
	select {
	case <-ctx.Done():
	case err = <-s.over:
	}
	cancel()
	s.closing.Wait()
	return errors.Join(err, s.current().close())
}

// stage is where one rehearsal follows another.
type stage struct {
	cfg     Config
	ctx     context.Context // ends with the last rehearsal
	over    chan error      // the last one ended: by a press, or by itself
	closing sync.WaitGroup  // rehearsals that are being thrown away

	mu  sync.Mutex
	act *act
}

func (s *stage) current() *act {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.act
}

// again begins another rehearsal in the place of one that is thrown away.
func (s *stage) again(ctx context.Context, old *act) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.act != old {
		return s.act.place.Pages, nil // pressed twice
	}
	next, err := s.begin(context.WithoutCancel(ctx), "127.0.0.1:0", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	s.act = next
	s.cfg.Ready(next.place)
	s.closing.Go(func() {
		s.later()
		if err := old.close(); err != nil {
			s.cfg.Log.Error("throw a rehearsal away", "error", err)
		}
	})
	return next.place.Pages, nil
}

// later waits until the answer to a press is out.
func (s *stage) later() {
	select {
	case <-s.ctx.Done():
	case <-time.After(answered):
	}
}

// end ends the last rehearsal.
func (s *stage) end(err error) {
	select {
	case s.over <- err:
	default: // it is ending
	}
}
