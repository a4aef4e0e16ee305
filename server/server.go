// Package server is the practice's hub: the replica to which laptops bring their
// records and from which they take what is new.
//
// It holds no truth of its own that a laptop could not check: records are signed
// by the devices that wrote them. What it adds is a meeting place, and signed
// statements of what it had accepted and when.
//
// It may listen to other machines: only laptops of the practice, a laptop that
// holds a one-time code, and commands of this user on this machine get through.
package server

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/access"
	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/node"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/store"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"
)

// Config says how a server runs.
type Config struct {
	Data string // folder of the practice, begun with Init
	// Database holds the practice's records and secrets, under the name of its folder; nil:
	// they lie in the folder. A process that finds another one with the practice waits.
	Database *pg.Database
	Secret   *vault.Secret // nil: a folder that is not encrypted
	Listen   string        // address for laptops and for commands of this machine; 127.0.0.1:4270 when empty
	Pages    string        // address for pages: loopback, or one of the clinic's network; none when empty
	// Network is where browsers of the clinic's network that are paired find the pages,
	// over TLS; Pages, when that is no loopback address. None when empty.
	Network string
	Metrics string // loopback address for metrics; none when empty
	Name    string // of this machine; 'clinic' when empty
	Doors   string // folder of a service's doors; empty: this user's own
	Backups node.BackupPlan
	// StateEvery is how often a statement is made when records came in; 2 s when 0.
	StateEvery time.Duration
	Clock      clock.Clock  // the machine's when nil
	Log        *slog.Logger // discarded when nil
	// PagesReady is told the one-time address that opens the pages, NetworkReady where
	// paired browsers come in.
	PagesReady   func(url string)
	NetworkReady func(addr string)
	Ready        func(addr string)

	// Of a practice that is served beside others: its door, which stays open between its
	// runs, and what takes its metrics.
	place    trust.Place // where it lies; the folder when zero
	door     *local.Opened
	measures prometheus.Registerer
	turn     func() (done func()) // see store.Options
	room     *semaphore.Weighted  // see rpc.Callers
	atRest   func()               // see node.Node
	saved    func(error)          // see node.Node.BackupTried
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
	c.apart()
	if c.PagesReady == nil {
		c.PagesReady = func(string) {}
	}
	if c.Ready == nil {
		c.Ready = func(string) {}
	}
	return nil
}

// apart takes pages on an address of the network for what they are: over TLS for browsers
// that are paired, and plain for this machine's own, at the same port.
func (c *Config) apart() {
	host, port, err := net.SplitHostPort(c.Pages)
	if c.Network != "" || err != nil || host == "localhost" {
		return
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		c.Network, c.Pages = c.Pages, net.JoinHostPort("127.0.0.1", port)
	}
}

// names are those by which browsers of the network may call this machine: the one that
// its pages were given, and its own, as networks spell it.
func (c *Config) names() (out []string) {
	given, _, _ := net.SplitHostPort(c.Network)
	own, _ := os.Hostname() // a machine without a name is called by its address
	for _, name := range []string{given, own, strings.TrimSuffix(own, ".local") + ".local"} {
		name = strings.ToLower(strings.TrimSuffix(name, "."))
		_, err := netip.ParseAddr(name)
		if isNumber := err == nil; !isNumber && name != "" && name != ".local" && !strings.HasPrefix(name, "localhost") && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// Run serves until ctx ends. It returns nil after a clean stop. The practice must
// have been begun with Init.
func Run(ctx context.Context, cfg Config) error {
	if err := cfg.fill(); err != nil {
		return err
	}
	if cfg.Database != nil {
		return runLeased(ctx, cfg, runHere)
	}
	return runHere(ctx, cfg)
}

// runHere serves a practice that is this process's.
func runHere(ctx context.Context, cfg Config) error {
	home, err := openPractice(cfg)
	if err != nil {
		return err
	}
	listener, err := trust.ListenAny("listen", cfg.Listen)
	if err != nil {
		return err
	}
	return serve(ctx, cfg, home, listener)
}

// serve serves an opened folder to whoever comes in by the listener.
func serve(ctx context.Context, cfg Config, home *trust.Home, listener net.Listener) (err error) {
	// The gRPC server closes it too; a second close is no news.
	defer listener.Close()
	h, err := openHome(ctx, cfg, home)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.replica.Store.Close()) }()
	return h.run(ctx, cfg, listener)
}

// openPractice opens a place in which a practice was begun, and begins nothing.
func openPractice(cfg Config) (*trust.Home, error) {
	absent := refusal.Conflict("data", cfg.Data, "a folder in which a practice was begun with `thawtrail server init`")
	place := cfg.place
	if place.Names == nil {
		place = trust.InFolder(cfg.Data)
	}
	if _, err := vault.Locked(place.Names); errors.Is(err, fs.ErrNotExist) && !place.Begun() {
		return nil, absent
	}
	home, err := openPlace(place, cfg.Secret, vault.Cost{})
	switch {
	case err != nil:
		return nil, err
	case home.Joined == nil:
		return nil, absent
	case !home.OfServer():
		return nil, refusal.Conflict("data", cfg.Data, "the folder of the practice's server").
			Because("this is a laptop's folder: start its agent, which hands an owner's orders to the server")
	}
	return home, nil
}

func (h *hub) run(ctx context.Context, cfg Config, listener net.Listener) error {
	links := &authority.Links{}
	var err error
	if h.replica.Pins, err = h.home.PINs(cfg.Clock.Now); err != nil {
		return err
	}
	charter, members, err := h.members(ctx, links)
	if err != nil {
		return err
	}
	creds, root, err := h.credentials(members, links)
	if err != nil {
		return err
	}
	registry, err := newRegistry(h, root, members, links)
	if err != nil {
		return err
	}
	statements, err := replication.NewStatements(ctx, h.replica, h.epoch)
	if err != nil {
		return err
	}
	n := &node.Node{
		Replica: h.replica, Data: cfg.Data, Doors: cfg.Doors, Listener: listener, Opens: h.home.Opens,
		Credentials: creds, DoorKey: creds.Certificate().Leaf.PublicKey.(ed25519.PublicKey), Members: members, Room: cfg.room,
		Door: cfg.door, Measures: cfg.measures, AtRest: cfg.atRest, Practice: h.practice, Epoch: func() string { return h.epoch },
		Metrics: cfg.Metrics, Backups: cfg.Backups, BackupTried: cfg.saved, Pages: cfg.Pages, PagesReady: cfg.PagesReady, PagesSecret: h.home.PagesSecret,
		Network: cfg.Network, NetworkSetting: "pages", NetworkReady: cfg.NetworkReady, Invites: registry.inviteHere,
		Register: func(s *grpc.Server) {
			pb.RegisterEnrolServiceServer(s, registry)
			pb.RegisterHubServiceServer(s, registry)
			pb.RegisterOrderServiceServer(s, newOrders(registry))
			pb.RegisterCharterServiceServer(s, charter)
		},
		Reread: charter.reread,
		Loops: []node.Part{
			{Name: "members", Run: members.Watch},
			{Name: "statements", Run: func(ctx context.Context) error { return statements.Run(ctx, cfg.StateEvery) }},
		},
		Ready: func(address string) {
			h.sayStarted(address)
			cfg.Ready(address)
		},
	}
	if err := n.OpenPhones(h.home, cfg.Clock.Now, cfg.Network != ""); err != nil {
		return err
	}
	n.Phones.Names, n.Phones.Rights, n.Phones.Refresh = cfg.names(), members.Rights, members.Refresh
	members.After = func() { h.sweep(ctx, members, n.Phones) }
	return n.Run(ctx)
}

// sweep ends the pages of people whose roles have ended. Books that are in doubt end
// nobody's: they may lack the grant.
func (h *hub) sweep(ctx context.Context, members *access.Members, paired *access.Phones) {
	if members.Doubt() != "" {
		return
	}
	n, err := paired.Sweep(ctx)
	if n > 0 || err != nil && ctx.Err() == nil {
		h.log.Warn("pages of people without a role are closed", "browsers", n, "error", err)
	}
}

func (h *hub) sayStarted(address string) {
	if !h.home.Vault.Encrypted() {
		h.log.Warn("nothing on this disk is encrypted: this practice is for trying out only")
	}
	h.log.Info("the clinic's server listens for laptops of the practice", "address", address)
}

// credentials are the server's keys and who they let in.
func (h *hub) credentials(members authority.Members, links *authority.Links) (*authority.Credentials, ed25519.PrivateKey, error) {
	root, err := h.home.Key(authorityFile, vault.Authority)
	if err != nil {
		return nil, nil, err
	}
	own, err := h.home.Key(tlsFile, vault.ServerTLS)
	if err != nil {
		return nil, nil, err
	}
	cert, err := authority.Server(root, own)
	if err != nil {
		return nil, nil, err
	}
	return &authority.Credentials{Certificate: func() tls.Certificate { return cert }, Members: members, Links: links}, root, nil
}

// hub is an open server.
type hub struct {
	replica *replica.Replica
	home    *trust.Home
	gone    bool // its journal was there once and is not
	epoch   string
	log     *slog.Logger
}

// strangerBytes is the room for records of laptops that are not of the practice:
// many years of one small practice.
const strangerBytes = 64 << 20

func openHome(ctx context.Context, cfg Config, home *trust.Home) (*hub, error) {
	if err := home.Remake(cfg.Clock.Now()); err != nil {
		cfg.Log.Warn("that a file is begun anew could not be written down", "error", err)
	}
	gone := home.Belongs() && !home.Begun()
	kept, trouble := home.Kept()
	if trouble != nil {
		cfg.Log.Warn("begun anew", "trouble", trouble)
	}
	backups, err := home.BackupKey()
	if err != nil {
		return nil, err
	}
	s, err := store.Open(ctx, home.Store(store.Options{
		Clock: cfg.Clock, DeviceName: cfg.Name, Version: replica.Version, Logger: cfg.Log, StrangerBytes: strangerBytes, Turn: cfg.turn,
	}))
	if err != nil {
		return nil, err
	}
	h := &hub{log: cfg.Log, home: home, gone: gone, replica: &replica.Replica{
		Store: s, Clock: cfg.Clock, Random: rand.Reader, Seals: home.Seals, Link: here{}, Hub: true, Name: cfg.Name, Joined: home.Joined,
		Aside: home.Aside(), Scratch: cfg.Data, Log: cfg.Log,
		Parts: &replica.Parts{}, Kept: kept, BackupKey: backups,
	}}
	if h.epoch, err = hubEpoch(home, cfg.Log, gone || s.EndsUnknown()); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return h, nil
}

func (h *hub) rights(ctx context.Context) (*ledger.Rights, error) {
	return access.RightsOf(ctx, h.replica.Store)
}

// epochFile lies beside the journal: who loses the one loses the other.
const epochFile = "hub.epoch"

// epochForm is what hubEpoch writes.
var epochForm = regexp.MustCompile(`^[0-9a-f]{16}$`)

// hubEpoch reads the epoch of this server's store, or begins one. In the place of
// one that is lost or cannot be read a new one does no harm: what laptops knew as
// held they then state again, and are told anew. lost says that this must be.
func hubEpoch(home *trust.Home, log *slog.Logger, lost bool) (string, error) {
	path := home.Names.Place(epochFile)
	text, err := home.Names.Read(epochFile, int64(len("0123456789abcdef")))
	switch {
	case lost:
		log.Warn("records are gone from the journal; a new hub epoch is begun, and laptops state again what they hold")
	case err == nil && epochForm.Match(text):
		return string(text), nil
	case err == nil || errors.Is(err, wholefile.ErrTooLong):
		log.Warn("what stands in hub.epoch is no epoch; a new one is begun, and laptops state again what they hold", "file", path)
	case errors.Is(err, fs.ErrNotExist) && home.Begun():
		log.Warn("hub.epoch is gone; a new one is begun, and laptops state again what they hold", "file", path)
	case !errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("hub epoch: %w", err)
	}
	raw := make([]byte, 8)
	if _, err := rand.Read(raw); err != nil {
		return "", fmt.Errorf("hub epoch: %w", err)
	}
	epoch := hex.EncodeToString(raw)
	return epoch, home.Names.Write(epochFile, []byte(epoch))
}

func (h *hub) practice() string {
	id, err := h.replica.PracticeID(context.Background())
	if err != nil {
		h.log.Error("read the practice", "error", err)
	}
	return id
}

// here is how the hub stands with itself.
type here struct{}

func (here) Server() string                          { return "" }
func (here) State() string                           { return "this is the server" }
func (here) Up() bool                                { return true }
func (here) Differences() []string                   { return nil }
func (here) Quarantined() []string                   { return nil }
func (here) LastHeard() time.Time                    { return time.Time{} }
func (here) StateOf(*event.Record) exchange.Delivery { return exchange.HeldOnServer }
func (here) Reached(event.LogID) (sent, held int64)  { return 0, 0 }
