// Package agent is the laptop's daemon: it keeps this laptop's replica, answers
// the commands and pages of the people beside it, and exchanges records with the
// clinic's server whenever there is a link.
//
// It works without a server and without a network from its first start.
//
// Until enrolment exists it listens on loopback only.
package agent

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"os"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	"thawtrail/internal/service"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
)

// Config says how an agent runs.
type Config struct {
	Data    string // folder of the replica; made if absent
	Server  string // address of the clinic's server; empty: work alone
	Listen  string // loopback address for commands; 127.0.0.1:4271 when empty
	Metrics string // loopback address for metrics; none when empty
	Name    string // of this laptop; the machine's name when empty
	Clock   clock.Clock
	Log     *slog.Logger
	Ready   func(addr string)
}

func (c *Config) fill() error {
	if c.Data == "" {
		return errors.New("agent: a data folder is needed")
	}
	c.Listen = cmp.Or(c.Listen, "127.0.0.1:4271")
	if c.Name == "" {
		c.Name, _ = os.Hostname() // a laptop without a name is called laptop
		c.Name = cmp.Or(c.Name, "laptop")
	}
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Ready == nil {
		c.Ready = func(string) {}
	}
	return nil
}

// Run serves until ctx ends. It returns nil after a clean stop.
func Run(ctx context.Context, cfg Config) (err error) {
	if err := cfg.fill(); err != nil {
		return err
	}
	listener, err := trust.Listen(cfg.Listen)
	if err != nil {
		return err
	}
	// Serve closes it too; a second close is no news.
	defer listener.Close()
	replica, err := open(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, replica.Store.Close()) }()

	group, ctx := errgroup.WithContext(ctx)
	l := newLink(replica, cfg)
	replica.Link = l
	x := &service.Exchange{
		Replica: replica, Practice: l.practice, Epoch: l.hubEpoch, Admit: replica.AdmitPeer,
		Aside: replica.KeepAside, Done: ctx.Done(),
	}
	group.Go(func() error { return service.Serve(ctx, service.Mount(replica, x), listener) })
	group.Go(func() error { return replica.Fold(ctx) })
	group.Go(func() error { return l.run(ctx) })
	group.Go(func() error { return replica.Metrics(ctx, cfg.Metrics) })
	cfg.Log.Info("this laptop's agent listens on this machine only", "address", listener.Addr().String())
	cfg.Ready(listener.Addr().String())
	return group.Wait()
}

func open(ctx context.Context, cfg Config) (*service.Replica, error) {
	key, err := trust.Device(cfg.Data, rand.Reader)
	if err != nil {
		return nil, err
	}
	seals, err := trust.OpenKeys(filepath.Join(cfg.Data, "fields.key"), rand.Reader)
	if err != nil {
		return nil, err
	}
	s, err := store.Open(ctx, store.Options{
		Dir: cfg.Data, Clock: cfg.Clock, Device: key, DeviceName: cfg.Name, Version: service.Version, Logger: cfg.Log,
	})
	if err != nil {
		return nil, err
	}
	return &service.Replica{
		Store: s, Clock: cfg.Clock, Random: rand.Reader, Seals: seals, Name: cfg.Name,
		AsideDir: filepath.Join(cfg.Data, "aside"), Log: cfg.Log,
	}, nil
}
