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

	"thawtrail/internal/access"
	"thawtrail/internal/clock"
	"thawtrail/internal/node"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"

	"google.golang.org/grpc"
)

// Config says how an agent runs.
type Config struct {
	Data    string        // folder of the replica; made if absent
	Secret  *vault.Secret // nil: a folder that is not encrypted, decided on first start
	Server  string        // addresses of the clinic's server, see Addresses; empty: those that answered last, or none
	Servers <-chan string // other addresses, told while it runs; nil: none
	Listen  string        // loopback address for commands; 127.0.0.1:4271 when empty
	Pages   string        // loopback address for pages; none when empty
	Phone   string        // address at which phones that are paired find the pages; none when empty
	Metrics string        // loopback address for metrics; none when empty
	Name    string        // of this laptop; the one it joined with, or the machine's, when empty
	Doors   string        // folder of a service's doors; empty: this user's own
	Backups node.BackupPlan
	Clock   clock.Clock
	Log     *slog.Logger
	// Opened is told the replica before anything answers: a rehearsal brings its script,
	// and a real laptop the way to begin one.
	Opened func(*replica.Replica)
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
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Opened == nil {
		c.Opened = func(*replica.Replica) {}
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

// named is what people call this laptop.
func (c *Config) named(home *trust.Home) string {
	name := c.Name
	if home.Joined != nil {
		name = cmp.Or(name, home.Joined.DeviceName)
	}
	machine, _ := os.Hostname() // a laptop without a name is called laptop
	return cmp.Or(name, machine, "laptop")
}

// Run serves until ctx ends. It returns nil after a clean stop.
func Run(ctx context.Context, cfg Config) (err error) {
	if err := cfg.fill(); err != nil {
		return err
	}
	listener, err := trust.Listen("listen", cfg.Listen)
	if err != nil {
		return err
	}
	// Serve closes it too; a second close is no news.
	defer listener.Close()
	home, err := trust.Open(cfg.Data, cfg.Secret, rand.Reader)
	if err != nil {
		return err
	}
	r, err := open(ctx, cfg, home)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Store.Close()) }()
	return run(ctx, cfg, home, r, listener)
}

func run(ctx context.Context, cfg Config, home *trust.Home, r *replica.Replica, listener net.Listener) (err error) {
	if r.Pins, err = home.PINs(cfg.Clock.Now); err != nil {
		return err
	}
	n := &node.Node{
		Replica: r, Data: cfg.Data, Doors: cfg.Doors, Listener: listener, Opens: home.Opens,
		Metrics: cfg.Metrics, Backups: cfg.Backups, Pages: cfg.Pages, PagesReady: cfg.PagesReady, PagesSecret: home.PagesSecret,
	}
	n.Network, n.NetworkSetting, n.NetworkReady = cfg.Phone, "phone", cfg.PhonesReady
	if err := n.OpenPhones(home, cfg.Clock.Now, cfg.Phone != ""); err != nil {
		return err
	}
	link, way := newLink(cfg, home, r)
	r.Link = link
	office := &office{home: home, who: access.Ordering{Reader: query.Reader{Replica: r}}, way: way}
	n.Register = func(s *grpc.Server) { pb.RegisterHubServiceServer(s, office) }
	if home.Joined != nil {
		n.Invites = office.inviteForPages
	}
	cfg.Opened(r)
	n.Practice, n.Epoch, n.Loops = link.Practice, link.HubEpoch, []node.Part{
		{Name: "link", Run: link.Run},
		{Name: "addresses", Run: func(ctx context.Context) error { return way.follow(ctx, cfg.Servers) }},
	}
	n.Ready = func(address string) {
		if !home.Vault.Encrypted() {
			cfg.Log.Warn("nothing on this disk is encrypted: whoever takes this laptop reads it all; for trying out only")
		}
		cfg.Log.Info("this laptop's agent listens on this machine only", "address", address)
		cfg.Ready(address)
	}
	return n.Run(ctx)
}

// linkFile holds what is known of the server, beside the keys and not in the index,
// which can be lost.
const linkFile = "link.box"

// newLink is the way to the clinic's server: the one given, or the one that was met last.
func newLink(cfg Config, home *trust.Home, r *replica.Replica) (*replication.Link, *route) {
	way := &route{setting: cfg.Server, log: cfg.Log, remember: func(setting string) error {
		joined := *home.Joined // who answered is the server of a practice that was joined
		joined.Server = setting
		return home.Join(joined)
	}}
	if home.Joined != nil {
		way.kept = home.Joined.Server
		way.setting = cmp.Or(way.setting, way.kept)
	}
	way.dial = func(address string, arrived func()) (replication.Peer, error) {
		return dialServer(home, address, arrived)
	}
	kept, save, err := home.Box(linkFile, vault.Link)
	if err != nil {
		cfg.Log.Warn("what this laptop knew of its server cannot be read; it asks anew", "error", err)
	}
	return replication.NewLink(r, way.setting, way.Dial, replication.Memory{Kept: kept, Save: save}), way
}

func dialServer(home *trust.Home, address string, arrived func()) (replication.Peer, error) {
	if home.Joined == nil {
		return nil, errors.New("this laptop has not joined the practice yet: `thawtrail agent enrol CODE`")
	}
	root, err := home.Joined.Root()
	if err != nil {
		return nil, err
	}
	creds, err := authority.Practice(home.Device, root)
	if err != nil {
		return nil, err
	}
	return rpc.DialPeer(address, creds, arrived)
}

func open(ctx context.Context, cfg Config, home *trust.Home) (*replica.Replica, error) {
	if err := home.Remake(cfg.Clock.Now()); err != nil {
		cfg.Log.Warn("that a file is begun anew could not be written down", "error", err)
	}
	kept, trouble := home.Kept()
	if trouble != nil {
		cfg.Log.Warn("begun anew", "trouble", trouble)
	}
	backups, err := home.BackupKey()
	if err != nil {
		return nil, err
	}
	s, err := store.Open(ctx, home.Store(store.Options{
		Clock: cfg.Clock, DeviceName: cfg.named(home), Version: replica.Version, Logger: cfg.Log,
	}))
	if err != nil {
		return nil, err
	}
	return &replica.Replica{
		Store: s, Clock: cfg.Clock, Random: rand.Reader, Seals: home.Seals, Name: cfg.named(home), Joined: home.Joined, Carried: make(chan struct{}, 1),
		Aside: home.Aside(), Scratch: cfg.Data, Log: cfg.Log, Kept: kept, BackupKey: backups,
	}, nil
}
