package node

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"
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
	// Door is this machine's door, opened by who keeps it open between runs and lets its
	// callers in by the listener too; nil: the node opens its own.
	Door *local.Opened
	// Credentials prove this side to callers, and DoorKey is the key that they
	// show; both nil for callers of this machine alone.
	Credentials credentials.TransportCredentials
	DoorKey     ed25519.PublicKey
	Members     authority.Members   // who may call from elsewhere; nil: nobody
	Room        *semaphore.Weighted // see rpc.Callers
	// Opens says whether a passphrase opens the folder: a way to a new PIN.
	Opens func(passphrase string) bool

	// Practice is the id of the practice, empty for none; Epoch is the hub's own, or
	// the one that a laptop knows.
	Practice func() string
	Epoch    func() string

	Metrics string // loopback address; none when empty
	// Measures takes this node's metrics, beside those of others; nil: it has its own, with
	// those of the process.
	Measures   prometheus.Registerer
	Pages      string // loopback address; none when empty
	PagesReady func(url string)
	// PagesSecret gives the secret behind the pages' cookies; see web.Config.
	PagesSecret func(old []byte) ([]byte, error)
	// Invites makes a code by which a laptop joins, or orders one from the server; nil:
	// this belongs to no practice with a server.
	Invites func(context.Context, *pb.InviteRequest) (*pb.InviteResponse, error)
	// Phones is the registry of paired phones and browsers, and PhoneTLS what is shown to
	// them; nil: none are paired here.
	Phones   *access.Phones
	PhoneTLS *tls.Config
	// Network is the address at which they come in; none when empty. NetworkSetting is the
	// flag that it is of, and NetworkReady is told where that is once they can.
	Network        string
	NetworkSetting string
	NetworkReady   func(addr string)

	Backups BackupPlan // what this machine saves by itself
	// BackupTried is told after each look whether one is due: that there is none to make, or
	// what came of it. Nil: nobody is.
	BackupTried func(error)

	// AtRest is told when the replica has come to rest and memory may be given back to the
	// system; nil: that is done, for the whole process.
	AtRest func()

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

	services []string // of the contract, as they are mounted

	pagesMu  sync.Mutex // guards the field below
	madeSite *web.Site
	// watchEvery is how old what a monitor reads may be; tests make it short.
	watchEvery time.Duration
}

// Run serves until ctx ends. It returns nil after a clean stop. Only the journal,
// before, and the listener of commands may end it otherwise.
func (n *Node) Run(ctx context.Context) error {
	address := n.Listener.Addr().String()
	token, listeners, shut, err := n.openDoor(address)
	if err != nil {
		return err
	}
	defer shut()
	n.health = health.NewServer()
	n.pages = &access.Pages{Reader: query.Reader{Replica: n.Replica}}
	if n.Parts == nil {
		n.Parts = &replica.Parts{}
	}
	doors, err := n.openDoors()
	if err != nil {
		return err
	}
	asked := ctx
	group, ctx := errgroup.WithContext(ctx)
	responder := &replication.Responder{Replica: n.Replica, Practice: n.Practice, Epoch: n.Epoch, Done: ctx.Done()}
	n.Replica.Found, n.laptops, n.lookout.well = responder.Differences, responder.Laptops, map[string]bool{}
	defer n.newMetrics()()
	s := rpc.Mount(n.Replica, responder, n.callers(token), n.health)
	rpc.RegisterPINs(s, &access.PINs{Reader: query.Reader{Replica: n.Replica}, Opens: n.Opens})
	rpc.RegisterPages(s, n.pages)
	if n.Phones != nil {
		rpc.RegisterPhones(s, n.Phones)
	}
	if n.Register != nil {
		n.Register(s)
	}
	n.services = slices.DeleteFunc(slices.Sorted(maps.Keys(s.GetServiceInfo())), func(name string) bool {
		return !strings.HasPrefix(name, contract)
	})
	n.tellServices()
	defer context.AfterFunc(ctx, n.health.Shutdown)()
	group.Go(func() error { return rpc.Serve(ctx, s, listeners...) })
	for _, p := range slices.Concat(n.Loops, n.ownParts(), doors) {
		group.Go(func() error {
			n.supervise(ctx, p)
			return nil
		})
	}
	n.Ready(address)
	return stopped(asked, group.Wait())
}

// openDoor opens this machine's door, or takes the one that is open.
func (n *Node) openDoor(address string) (token string, listeners []net.Listener, shut func(), err error) {
	if n.Door != nil {
		return n.Door.Token, []net.Listener{n.Listener}, func() {}, nil
	}
	opened, err := local.Open(n.Data, address, n.Doors, n.DoorKey, rand.Reader)
	if err != nil {
		return "", nil, nil, err
	}
	opened.Say(n.Log)
	return opened.Token, opened.Listeners(n.Listener), opened.Close, nil
}

// Names of parts, as people and monitors read them.
const (
	partIndex   = "index"
	partMembers = "members"
	partMetrics = "metrics"
	partPages   = "pages"
	partPaired  = "paired browsers"
)

// ownParts are the loops that every replica has.
func (n *Node) ownParts() []Part {
	return []Part{
		{partIndex, n.fold}, {"settle", n.settle}, {"memory", n.idle}, {"scrub", n.scrub}, {"unread records", n.takeBack},
		{"watch", n.watch}, {"backup", n.backUp},
	}
}

// callers is who may call, and how they prove it.
func (n *Node) callers(token string) rpc.Callers {
	creds := n.Credentials
	if creds == nil {
		creds = local.NewCredentials()
	}
	return rpc.Callers{Credentials: creds, Members: n.Members, Token: token, Room: n.Room, Called: n.metrics.called}
}

// stopped is how a program ended that was told to stop: what was under way and
// was cancelled by that is no fault.
func stopped(asked context.Context, err error) error {
	if asked.Err() != nil && (errors.Is(err, context.Canceled) || status.Code(err) == codes.Canceled) {
		return nil
	}
	return err
}
