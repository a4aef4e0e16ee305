package node

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"net"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/status"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/web"
	pb "thawtrail/proto/thawtrail/v1"
)

// Node is one running replica. Server and agent fill it in and add what only they
// have: services and loops.
type Node struct {
	*replica.Replica

	Data     string       // its folder: the door of this machine and the pages' address lie there
	Doors    string       // folder of a service's doors; empty: this user's own
	Listener net.Listener // for commands, and on the hub for laptops
	// Credentials prove this side to callers, and DoorKey is the key that they
	// show; both nil for callers of this machine alone.
	Credentials credentials.TransportCredentials
	DoorKey     ed25519.PublicKey
	Members     authority.Members // who may call from elsewhere; nil: nobody
	// Opens says whether a passphrase opens the folder: a way to a new PIN.
	Opens func(passphrase string) bool

	// Practice is the id of the practice, empty for none; Epoch is the hub's own, or
	// the one that a laptop knows.
	Practice func() string
	Epoch    func() string

	Metrics    string // loopback address; none when empty
	Pages      string // loopback address; none when empty
	PagesReady func(url string)
	// PagesSecret gives the secret behind the pages' cookies; see web.Config.
	PagesSecret func(old []byte) ([]byte, error)
	// Invites makes a code by which a laptop joins; nil: this is no hub.
	Invites func(context.Context, *pb.InviteRequest) (*pb.InviteResponse, error)
	// Phones is the registry of paired phones, and where they come in; nil: nowhere.
	Phones        *access.Phones
	PhoneListener net.Listener
	PhoneTLS      *tls.Config
	// Network is the address at which browsers of the clinic's network come in over
	// PhoneTLS; none when empty. NetworkReady is told where that is.
	Network      string
	NetworkReady func(addr string)

	Backups BackupPlan // what this machine saves by itself

	// Reread reads what stands beside the journal, whenever that is read for damage; nil:
	// nothing does.
	Reread func(context.Context) error

	// Register adds services, Loops run beside those that every replica has.
	Register func(*grpc.Server)
	Loops    []Part
	// Ready is told the address once everything answers.
	Ready func(addr string)

	health  *health.Server
	pages   *access.Pages
	metrics metrics
	lookout lookout
	laptops func() int // that are connected
	// watchEvery is how old what a monitor reads may be; tests make it short.
	watchEvery time.Duration
}

// Run serves until ctx ends. It returns nil after a clean stop. Only the journal,
// before, and the listener of commands may end it otherwise.
func (n *Node) Run(ctx context.Context) error {
	if err := n.checkAddresses(); err != nil {
		return err
	}
	address := n.Listener.Addr().String()
	opened, err := local.Open(n.Data, address, n.Doors, n.DoorKey, rand.Reader)
	if err != nil {
		return err
	}
	defer opened.Close()
	opened.Say(n.Log)
	n.health = health.NewServer()
	n.pages = &access.Pages{Reader: query.Reader{Replica: n.Replica}}
	if n.Parts == nil {
		n.Parts = &replica.Parts{}
	}
	asked := ctx
	group, ctx := errgroup.WithContext(ctx)
	responder := &replication.Responder{Replica: n.Replica, Practice: n.Practice, Epoch: n.Epoch, Done: ctx.Done()}
	n.Replica.Found, n.laptops, n.lookout.well = responder.Differences, responder.Laptops, map[string]bool{}
	n.newMetrics()
	s := rpc.Mount(n.Replica, responder, n.callers(opened.Token), n.health)
	rpc.RegisterPINs(s, &access.PINs{Reader: query.Reader{Replica: n.Replica}, Opens: n.Opens})
	rpc.RegisterPages(s, n.pages)
	if n.Phones != nil {
		rpc.RegisterPhones(s, n.Phones)
	}
	if n.Register != nil {
		n.Register(s)
	}
	group.Go(func() error { return rpc.Serve(ctx, s, opened.Listeners(n.Listener)...) })
	for _, p := range append(n.Loops, n.ownParts()...) {
		group.Go(func() error {
			n.supervise(ctx, p)
			return nil
		})
	}
	n.Ready(address)
	return stopped(asked, group.Wait())
}

// ownParts are the loops that every replica has.
func (n *Node) ownParts() []Part {
	return []Part{
		{"index", n.fold}, {"settle", n.settle}, {"memory", n.idle}, {"scrub", n.scrub}, {"unread records", n.takeBack},
		{"watch", n.watch}, {"metrics", n.serveMetrics}, {"pages", n.servePages}, {"backup", n.backUp},
	}
}

// checkAddresses refuses at once what no further try could open.
func (n *Node) checkAddresses() error {
	for _, a := range []struct{ setting, addr string }{{"metrics", n.Metrics}, {"pages", n.Pages}} {
		if a.addr == "" {
			continue
		}
		if err := trust.Loopback(a.setting, a.addr); err != nil {
			return err
		}
	}
	return nil
}

// callers is who may call, and how they prove it.
func (n *Node) callers(token string) rpc.Callers {
	creds := n.Credentials
	if creds == nil {
		creds = local.NewCredentials()
	}
	return rpc.Callers{Credentials: creds, Members: n.Members, Token: token, Called: n.metrics.called}
}

// servePages serves the pages of people until ctx ends.
func (n *Node) servePages(ctx context.Context) error {
	cfg := web.Config{
		Replica: n.Replica, Clock: n.Clock, Log: n.Log, Opens: n.Opens, URLFile: filepath.Join(n.Data, "page.url"), Secret: n.PagesSecret,
		Pages: n.pages, Invites: n.Invites, Phones: n.Phones, PhoneListener: n.PhoneListener, PhoneTLS: n.PhoneTLS,
	}
	here, err := n.listenPages(&cfg)
	if err != nil {
		return err
	}
	return web.Run(ctx, here, cfg, n.PagesReady)
}

// stopped is how a program ended that was told to stop: what was under way and
// was cancelled by that is no fault.
func stopped(asked context.Context, err error) error {
	if asked.Err() != nil && (errors.Is(err, context.Canceled) || status.Code(err) == codes.Canceled) {
		return nil
	}
	return err
}
