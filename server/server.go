// Package server is the practice's hub: the replica to which laptops bring their
// records and from which they take what is new.
//
// It holds no truth of its own that a laptop could not check: records are signed
// by the devices that wrote them. What it adds is a meeting place, and signed
// statements of what it had accepted and when.
//
// Until enrolment exists it listens on loopback only.
package server

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/service"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
)

// Config says how a server runs.
type Config struct {
	Data    string // folder of the replica; made if absent
	Listen  string // loopback address for laptops and commands; 127.0.0.1:4270 when empty
	Metrics string // loopback address for metrics; none when empty
	Name    string // of this machine; 'clinic' when empty
	// StateEvery is how often a statement is made when records came in; 2 s when 0.
	StateEvery time.Duration
	Clock      clock.Clock  // the machine's when nil
	Log        *slog.Logger // discarded when nil
	Ready      func(addr string)
}

func (c *Config) fill() error {
	if c.Data == "" {
		return errors.New("server: a data folder is needed")
	}
	c.Listen = cmp.Or(c.Listen, "127.0.0.1:4270")
	c.Name = cmp.Or(c.Name, "clinic")
	c.StateEvery = cmp.Or(c.StateEvery, 2*time.Second)
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
	h, err := open(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.replica.Store.Close()) }()

	group, ctx := errgroup.WithContext(ctx)
	x := &service.Exchange{
		Replica: h.replica, Practice: h.practice, Epoch: func() string { return h.epoch },
		Admit: h.admit, Aside: h.replica.KeepAside, Done: ctx.Done(),
	}
	group.Go(func() error { return service.Serve(ctx, service.Mount(h.replica, x), listener) })
	group.Go(func() error { return h.replica.Fold(ctx) })
	group.Go(func() error { return h.statements(ctx, cfg.StateEvery) })
	group.Go(func() error { return h.replica.Metrics(ctx, cfg.Metrics) })
	cfg.Log.Info("the clinic's server listens on this machine only", "address", listener.Addr().String())
	cfg.Ready(listener.Addr().String())
	return group.Wait()
}

// hub is an open server.
type hub struct {
	replica *service.Replica
	epoch   string
	log     *slog.Logger
	greeted *greetings
}

func open(ctx context.Context, cfg Config) (*hub, error) {
	key, err := trust.Device(cfg.Data, rand.Reader)
	if err != nil {
		return nil, err
	}
	epoch, err := hubEpoch(cfg.Data)
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
	return &hub{epoch: epoch, log: cfg.Log, greeted: newGreetings(), replica: &service.Replica{
		Store: s, Clock: cfg.Clock, Random: rand.Reader, Seals: seals, Link: here{}, Hub: true, Name: cfg.Name,
		AsideDir: filepath.Join(cfg.Data, "aside"), Log: cfg.Log,
	}}, nil
}

// hubEpoch reads the epoch of this server's store, or begins one. It lies beside
// the journal: who loses the one loses the other.
func hubEpoch(dir string) (string, error) {
	path := filepath.Join(dir, "hub.epoch")
	text, err := os.ReadFile(path)
	if err == nil && len(text) > 0 {
		return string(text), nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("hub epoch: %w", err)
	}
	raw := make([]byte, 8)
	if _, err := rand.Read(raw); err != nil {
		return "", fmt.Errorf("hub epoch: %w", err)
	}
	epoch := hex.EncodeToString(raw)
	return epoch, trust.WriteFile(path, []byte(epoch))
}

func (h *hub) practice() string {
	id, err := h.replica.PracticeID(context.Background())
	if err != nil {
		h.log.Error("read the practice", "error", err)
	}
	return id
}

func (h *hub) admit(ctx context.Context, peer exchange.Beliefs) error {
	h.greeted.add(peer)
	return h.replica.AdmitPeer(ctx, peer)
}

// here is how the hub stands with itself.
type here struct{}

func (here) Server() string                          { return "" }
func (here) State() string                           { return "this is the server" }
func (here) Differences() []string                   { return nil }
func (here) SetAside() []string                      { return nil }
func (here) LastHeard() time.Time                    { return time.Time{} }
func (here) StateOf(*event.Record) exchange.Delivery { return exchange.HeldOnServer }
func (here) Reached(event.LogID) (sent, held int64)  { return 0, 0 }
