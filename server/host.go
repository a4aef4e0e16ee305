package server

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	proxyproto "github.com/pires/go-proxyproto"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"thawtrail/internal/clock"
	"thawtrail/internal/node"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// HostConfig says how one process serves many practices. Each lies in a folder of its own,
// with its own keys: none can read another.
type HostConfig struct {
	Practices string // folder that holds the practices' folders, each begun with Init
	// Database holds the practices, each under the name of its folder, which keeps what can be
	// made again; nil: they lie in their folders. Several processes may serve one database.
	Database *pg.Database
	Reached  string // where the other processes reach this one; Listen when empty
	// Secret opens one practice, by the name of its folder; nil in its place: one that is not
	// encrypted.
	Secret  func(name string, names wholefile.Names) (*vault.Secret, error)
	Listen  string // address for laptops of all practices; 127.0.0.1:4270 when empty
	Metrics string // loopback address; none when empty
	Doors   string // folder of a service's doors; empty: this user's own
	// Bare is the practice whose laptops may be of before, when no laptop called its practice
	// by name: the name of its folder. Empty: such laptops are not answered.
	Bare string
	// Balancers are where connections come from that begin with a header of the PROXY
	// protocol, which says whose they are.
	Balancers []netip.Prefix
	MostOpen  int           // practices that are open at once; 64 when 0
	IdleAfter time.Duration // how long a practice stays open without a link; 10 min when 0
	// IndexBytes is what the indexes of closed practices of a database may take on this
	// machine; 8 GiB when 0.
	IndexBytes int64
	// Backups are saved in a folder for each practice, named as the practice's own.
	Backups node.BackupPlan
	// StateEvery is as in Config.
	StateEvery time.Duration
	Clock      clock.Clock  // the machine's when nil
	Log        *slog.Logger // discarded when nil
	Ready      func(addr string, practices int)
}

func (c *HostConfig) fill() error {
	if c.Practices == "" {
		return errors.New("server: a folder of practices is needed")
	}
	c.Listen = cmp.Or(c.Listen, "127.0.0.1:4270")
	c.MostOpen = cmp.Or(c.MostOpen, 64)
	c.IdleAfter = cmp.Or(c.IdleAfter, 10*time.Minute)
	c.IndexBytes = cmp.Or(c.IndexBytes, 8<<30)
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Ready == nil {
		c.Ready = func(string, int) {}
	}
	return nil
}

// host is one process of many practices.
type host struct {
	cfg      HostConfig
	listener net.Listener
	probes   *inlet
	reasons  *inlet // links that are told why they are refused
	shakes   authority.Handshakes
	taking   chan struct{}       // a place for each link that is not handed in yet
	turns    chan struct{}       // a place for each core that may work in bulk
	room     *semaphore.Weighted // for what laptops of all practices bring
	closes   chan struct{}       // holds one when a practice was closed

	rested atomic.Bool // a practice has come to rest since memory was given back

	takes, doors, runs sync.WaitGroup // to the end of each in this order

	mu        sync.Mutex
	practices map[string]*hosted // guarded by mu; by print
	bare      *hosted            // guarded by mu
	open      int                // guarded by mu
	looked    time.Duration      // guarded by mu; when folders were looked for last

	registry *prometheus.Registry
	opened   prometheus.Histogram
	refused  *prometheus.CounterVec
	relayed  prometheus.Gauge
}

const (
	// mostTaking links may be on their way to a practice at once: they wait for their
	// first message or for the practice to be opened.
	mostTaking = 4096
	// looksAgain is how soon folders are looked for again when a link asks for a practice
	// that is not known.
	looksAgain = 5 * time.Second
	// unlocksAtOnce bounds the memory of the start: each passphrase takes much.
	unlocksAtOnce = 4
)

// Host serves until ctx ends. It returns nil after a clean stop. A practice that cannot be
// opened stops none of the others.
func Host(ctx context.Context, cfg HostConfig) error {
	if err := cfg.fill(); err != nil {
		return err
	}
	if err := wakeTogether(); err != nil { // it costs more, and nothing else
		cfg.Log.Warn("timers are not bundled", "error", err)
	}
	if _, err := os.ReadDir(cfg.Practices); err != nil {
		return refusal.New("practices", cfg.Practices, "a folder that holds a folder for each practice").Because(err.Error())
	}
	listener, err := trust.ListenAny("listen", cfg.Listen)
	if err != nil {
		return err
	}
	defer listener.Close()
	h := &host{
		cfg: cfg, listener: listener, probes: newInlet(listener.Addr()), reasons: newInlet(listener.Addr()), taking: make(chan struct{}, mostTaking),
		turns: make(chan struct{}, max(1, runtime.GOMAXPROCS(0)-1)), room: rpc.NewRoom(), closes: make(chan struct{}, 1),
		practices: map[string]*hosted{}, registry: node.NewRegistry(),
	}
	if err := h.reached(); err != nil {
		return err
	}
	h.measure()
	return h.serveAll(ctx)
}

func (h *host) serveAll(ctx context.Context) error {
	var metrics net.Listener
	if h.cfg.Metrics != "" {
		var err error
		if metrics, err = trust.Listen("metrics", h.cfg.Metrics); err != nil {
			return err
		}
		defer metrics.Close()
	}
	group, ctx := errgroup.WithContext(ctx)
	h.look(ctx)
	defer h.shut() // after ctx has ended, or before anything was taken
	if h.cfg.Bare != "" && h.bare == nil {
		return refusal.New("bare", h.cfg.Bare, "the folder of a practice that can be opened")
	}
	probe, err := h.probe()
	if err != nil {
		return err
	}
	group.Go(func() error { return rpc.Serve(ctx, probe, h.probes) })
	group.Go(func() error { return rpc.Serve(ctx, reasonsServer(), h.reasons) })
	if metrics != nil {
		group.Go(func() error { return node.ServeMetrics(ctx, metrics, h.registry) })
	}
	defer context.AfterFunc(ctx, func() { _ = h.listener.Close() })()
	group.Go(func() error {
		h.accept(ctx, h.listener, func(conn net.Conn) { h.take(ctx, conn) })
		return nil
	})
	group.Go(func() error { return h.closeIdle(ctx) })
	group.Go(func() error { return h.giveBack(ctx) })
	group.Go(func() error { return h.backUpClosed(ctx) })
	group.Go(func() error { return h.boundIndexes(ctx) })
	h.mu.Lock()
	n := len(h.practices)
	h.mu.Unlock()
	h.cfg.Log.Info("many practices are served", "address", h.listener.Addr().String(), "practices", n)
	h.cfg.Ready(h.listener.Addr().String(), n)
	return group.Wait()
}

// turn waits until a practice may do a piece of work in bulk. One core is left to what people
// wait for, whatever the practices do, and who waits longest is next.
func (h *host) turn() (done func()) {
	h.turns <- struct{}{}
	return func() { <-h.turns }
}

// shut takes this machine's doors away and waits for what goes on: all of it ends with the
// host's context.
func (h *host) shut() {
	h.mu.Lock()
	for _, p := range h.practices {
		p.door.Close()
	}
	h.mu.Unlock()
	h.doors.Wait()
	h.takes.Wait()
	h.runs.Wait()
}

// look finds the practices. A folder that cannot be opened is told of, and looked at again
// the next time.
func (h *host) look(ctx context.Context) {
	if h.cfg.Database != nil {
		h.lookInDatabase(ctx)
	} else {
		h.lookInFolders(ctx)
	}
	h.mu.Lock()
	h.looked = h.cfg.Clock.Monotonic()
	h.mu.Unlock()
}

func (h *host) lookInFolders(ctx context.Context) {
	entries, err := os.ReadDir(h.cfg.Practices)
	if err != nil {
		h.cfg.Log.Error("the folder of practices cannot be read", "error", err)
		return
	}
	var group errgroup.Group
	group.SetLimit(unlocksAtOnce)
	for _, e := range entries {
		if !e.IsDir() || h.knows(e.Name()) {
			continue
		}
		group.Go(func() error {
			if err := h.add(ctx, e.Name()); err != nil {
				h.cfg.Log.Error("a folder is not served", "practice", e.Name(), "error", err)
			}
			return nil
		})
	}
	_ = group.Wait() // each has told of its own error
}

// knows says that a practice is served already.
func (h *host) knows(name string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, p := range h.practices {
		if p.name == name {
			return true
		}
	}
	return false
}

func (h *host) add(ctx context.Context, name string) error {
	p, err := h.readHosted(name)
	if err != nil {
		return err
	}
	return h.put(ctx, p)
}

// put serves a practice from now on.
func (h *host) put(ctx context.Context, p *hosted) error {
	h.mu.Lock()
	other := h.practices[p.print]
	h.mu.Unlock()
	if other != nil {
		return fmt.Errorf("it is the same practice as that in %s", other.name)
	}
	if err := h.openDoor(ctx, p); err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if other := h.practices[p.print]; other != nil { // both were new
		p.door.Close()
		return fmt.Errorf("it is the same practice as that in %s", other.name)
	}
	h.practices[p.print] = p
	if p.name == h.cfg.Bare {
		h.bare = p
	}
	return nil
}

// accept takes connections until ctx ends. One that cannot be taken now is closed.
func (h *host) accept(ctx context.Context, l net.Listener, take func(net.Conn)) {
	for pause := time.Millisecond; ctx.Err() == nil; {
		conn, err := l.Accept()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			h.cfg.Log.Error("a connection was not taken", "error", err) // too many files are open, say
			time.Sleep(pause)
			pause = min(2*pause, time.Second)
			continue
		}
		pause = time.Millisecond
		select {
		case h.taking <- struct{}{}:
			h.takes.Go(func() {
				defer func() { <-h.taking }()
				take(conn)
			})
		default:
			h.refused.WithLabelValues("crowded").Inc()
			_ = conn.Close()
		}
	}
}

// take hears which practice a connection asks for and hands it in.
func (h *host) take(ctx context.Context, conn net.Conn) {
	cut := context.AfterFunc(ctx, func() { _ = conn.SetReadDeadline(time.Now()) }) // nobody waits for it at the end
	asked, heard, relayed, err := h.hear(conn)
	cut()
	if err != nil {
		h.refused.WithLabelValues("not understood").Inc()
		_ = conn.Close()
		return
	}
	if !asked.OfPractice {
		h.probes.give(heard)
		return
	}
	p := h.find(ctx, asked)
	if p == nil {
		h.refused.WithLabelValues("unknown practice").Inc()
		_ = conn.Close()
		return
	}
	h.deliver(ctx, p, heard, relayed)
}

// hear reads what a connection asks for. Behind a balancer its header says who asks.
func (h *host) hear(conn net.Conn) (asked authority.Asked, heard net.Conn, relayed bool, err error) {
	var behind *proxyproto.Conn
	if h.balanced(conn.RemoteAddr()) {
		behind = proxyproto.NewConn(conn, proxyproto.WithPolicy(proxyproto.REQUIRE))
		conn = behind
	}
	from, _, err := net.SplitHostPort(conn.RemoteAddr().String())
	if err != nil || !h.shakes.Begin(from) {
		return asked, nil, false, errors.Join(errors.New("too many links are being made"), err)
	}
	defer h.shakes.End(from)
	asked, heard, err = authority.Hear(conn)
	return asked, heard, behind != nil && handedOn(behind), err
}

func (h *host) balanced(from net.Addr) bool {
	tcp, ok := from.(*net.TCPAddr)
	if !ok {
		return false
	}
	addr := tcp.AddrPort().Addr().Unmap()
	for _, b := range h.cfg.Balancers {
		if b.Contains(addr) {
			return true
		}
	}
	return false
}

// find is the practice that a link asks for; nil for none. One that was begun meanwhile is
// found too.
func (h *host) find(ctx context.Context, asked authority.Asked) *hosted {
	h.mu.Lock()
	p := h.known(asked)
	again := p == nil && asked.Print != "" && h.cfg.Clock.Monotonic()-h.looked >= looksAgain
	if again {
		h.looked = h.cfg.Clock.Monotonic() // the next one does not look too
	}
	h.mu.Unlock()
	if !again {
		return p
	}
	h.look(ctx)
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.known(asked)
}

// known is a practice of the table. The caller holds mu.
func (h *host) known(asked authority.Asked) *hosted {
	if asked.Print == "" {
		return h.bare
	}
	return h.practices[asked.Print]
}

// closeIdle closes practices that nobody has a link to.
func (h *host) closeIdle(ctx context.Context) error {
	tick := time.NewTicker(max(h.cfg.IdleAfter/8, time.Millisecond))
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now := h.cfg.Clock.Monotonic()
		h.mu.Lock()
		for _, p := range h.practices {
			if r := p.run; r != nil && !r.ending && r.links == 0 && now-r.since >= h.cfg.IdleAfter {
				r.end()
			}
		}
		h.mu.Unlock()
	}
}

// giveBackEvery is how often memory is given back to the system, at most: that stops the
// work of all practices for a moment.
const giveBackEvery = 20 * time.Second

// giveBack gives memory back after practices have come to rest.
func (h *host) giveBack(ctx context.Context) error {
	tick := time.NewTicker(giveBackEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if h.rested.Swap(false) {
				debug.FreeOSMemory()
			}
		}
	}
}

// nobody is in no practice.
type nobody struct{}

func (nobody) Admitted(ed25519.PublicKey) bool { return false }
func (nobody) Doubt() string                   { return "" }

// probe answers monitors, who ask whether the process is up, and nothing else.
func (h *host) probe() (*grpc.Server, error) {
	root, err := authority.NewKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	cert, err := authority.Server(root, root)
	if err != nil {
		return nil, err
	}
	s := grpc.NewServer(grpc.Creds(&authority.Credentials{
		Certificate: func() tls.Certificate { return cert }, Members: nobody{}, Links: &authority.Links{},
	}), grpc.ConnectionTimeout(rpc.PingTimeout))
	healthpb.RegisterHealthServer(s, health.NewServer())
	return s, nil
}

// measure makes the metrics of the process; those of each practice stand beside them while
// it is open, under its folder's name.
func (h *host) measure() {
	gauge := func(name, help string, value func() int) {
		h.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "thawtrail_host_" + name, Help: help}, func() float64 {
			h.mu.Lock()
			defer h.mu.Unlock()
			return float64(value())
		}))
	}
	gauge("practices", "Practices that are served.", func() int { return len(h.practices) })
	gauge("open_practices", "Practices that are open now.", func() int { return h.open })
	h.opened = prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "thawtrail_host_open_duration_seconds", Help: "How long it took until a practice answered.", Buckets: prometheus.DefBuckets,
	})
	h.refused = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "thawtrail_host_refused_links_total", Help: "Links that were closed before they reached a practice, by reason.",
	}, []string{"reason"})
	h.relayed = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "thawtrail_host_relayed_links", Help: "Links that are handed on to other processes now.",
	})
	h.registry.MustRegister(h.opened, h.refused, h.relayed)
}
