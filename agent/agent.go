// Package agent is the laptop's daemon: it keeps this laptop's replica, answers
// the commands and pages of the people beside it, and exchanges records with the
// clinic's server whenever there is a link.
//
// It works without a server and without a network from its first start.
//
// It listens on this machine only, for its own user, and where that is asked for,
// over TLS for phones that were paired at its screen. To the server it speaks once
// it has joined the practice; see Enrol.
package agent

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	"thawtrail/internal/service"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/web"
	pb "thawtrail/proto/thawtrail/v1"
)

// Config says how an agent runs.
type Config struct {
	Data    string        // folder of the replica; made if absent
	Secret  *vault.Secret // nil: a folder that is not encrypted, decided on first start
	Server  string        // address of the clinic's server; empty: the one joined at, or none
	Listen  string        // loopback address for commands; 127.0.0.1:4271 when empty
	Pages   string        // loopback address for pages; none when empty
	Phone   string        // address at which phones that are paired find the pages; none when empty
	Metrics string        // loopback address for metrics; none when empty
	Name    string        // of this laptop; the machine's name when empty
	Clock   clock.Clock
	Log     *slog.Logger
	// PagesReady is told the one-time address that opens the pages.
	PagesReady func(url string)
	// PhonesReady is told the address at which phones come in.
	PhonesReady func(addr string)
	Ready       func(addr string)
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
	if c.PagesReady == nil {
		c.PagesReady = func(string) {}
	}
	if c.PhonesReady == nil {
		c.PhonesReady = func(string) {}
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
	home, err := trust.Open(cfg.Data, cfg.Secret, rand.Reader)
	if err != nil {
		return err
	}
	replica, err := open(ctx, cfg, home)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, replica.Store.Close()) }()
	return run(ctx, cfg, home, replica, listener)
}

func run(ctx context.Context, cfg Config, home *trust.Home, replica *service.Replica, listener net.Listener) error {
	door, err := local.Open(cfg.Data, listener.Addr().String(), nil, rand.Reader)
	if err != nil {
		return err
	}
	defer door.Close()
	if replica.Pins, err = home.PINs(cfg.Clock.Now); err != nil {
		return err
	}
	phones, err := openPhones(home, cfg, replica)
	if err != nil {
		return err
	}
	asked := ctx
	group, ctx := errgroup.WithContext(ctx)
	l := newLink(replica, home, cfg)
	replica.Link = l
	x := &service.Exchange{
		Replica: replica, Practice: l.practice, Epoch: l.hubEpoch, Aside: replica.KeepAside, Done: ctx.Done(),
	}
	s := service.Mount(replica, x, service.Door{Credentials: local.NewCredentials(), Token: door.Token})
	pb.RegisterPinServiceServer(s, &service.PinDesk{Replica: replica, Opens: home.Opens})
	pb.RegisterPhoneServiceServer(s, phones.desk)
	group.Go(func() error { return service.Serve(ctx, s, door.Listeners(listener)...) })
	group.Go(func() error { return replica.Fold(ctx) })
	group.Go(func() error { return replica.Rest(ctx) })
	group.Go(func() error { return replica.Scrub(ctx) })
	group.Go(func() error { return l.run(ctx) })
	group.Go(func() error { return replica.Metrics(ctx, cfg.Metrics) })
	group.Go(func() error {
		pages := web.Config{
			Replica: replica, Clock: cfg.Clock, Log: cfg.Log, Opens: home.Opens, URLFile: filepath.Join(cfg.Data, "page.url"),
			Phones: phones.desk, PhoneListener: phones.listener, PhoneTLS: phones.tls,
		}
		return web.Run(ctx, cfg.Pages, pages, cfg.PagesReady)
	})
	if !home.Vault.Encrypted() {
		cfg.Log.Warn("nothing on this disk is encrypted: whoever takes this laptop reads it all; for trying out only")
	}
	cfg.Log.Info("this laptop's agent listens on this machine only", "address", listener.Addr().String())
	if phones.listener != nil {
		cfg.PhonesReady(phones.listener.Addr().String())
	}
	cfg.Ready(listener.Addr().String())
	return service.Stopped(asked, group.Wait())
}

func open(ctx context.Context, cfg Config, home *trust.Home) (*service.Replica, error) {
	s, err := store.Open(ctx, home.Store(store.Options{
		Clock: cfg.Clock, DeviceName: cfg.Name, Version: service.Version, Logger: cfg.Log,
	}))
	if err != nil {
		return nil, err
	}
	return &service.Replica{
		Store: s, Clock: cfg.Clock, Random: rand.Reader, Seals: home.Seals, Name: cfg.Name, Joined: home.Joined, Carried: make(chan struct{}, 1),
		AsideDir: filepath.Join(cfg.Data, "aside"), Log: cfg.Log,
	}, nil
}
