package demo

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/clock"
	"thawtrail/internal/demo/wire"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	roundsFlag = flag.Int("rounds", 0, "how many rounds a torture has; the usual number when 0")
	seedFlag   = flag.Uint64("tortureseed", 0, "seed of a torture; the usual one, or a new one in a long run, when 0")
)

// torture is a practice of three real programs, a server and two agents, with one
// writer at each, to which things are done round by round. Every entry that was
// acknowledged is remembered, and looked for on all three in the end.
type torture struct {
	t       *testing.T
	n       *night
	random  *rand.Rand
	rounds  int
	figures testrun.Figures
	stop    context.CancelFunc
	all     sync.WaitGroup

	allowed, written atomic.Int64

	mu   sync.Mutex // guards n.acks while the writers run
	bad  error
	told map[string]int // acknowledged, by site
}

// newTorture founds a practice on the server and lets both agents learn of it. How
// many rounds there are is said for a plain, a whole and a long run.
func newTorture(t *testing.T, kind string, plain, whole, long int, prepare ...func(*night)) *torture {
	t.Helper()
	rounds, seed := cmp.Or(*roundsFlag, testrun.Rounds(plain, whole, long)), cmp.Or(*seedFlag, testrun.Seed())
	t.Logf("again with: go test ./internal/demo -run '%s$' -rounds %d -tortureseed %d", t.Name(), rounds, seed)
	cfg := Config{Fast: true, Out: &strings.Builder{}, Program: program(t), Clock: clock.System{}}
	n := newNight(t.Context(), cfg, t.TempDir())
	for _, p := range prepare {
		p(n)
	}
	t.Cleanup(n.close)
	require.NoError(t, n.clinic.begin(n.ctx, cfg.Program, n.dir, "UTC"))
	require.NoError(t, n.clinic.open(n.ctx, cfg.Program, n.dir))
	for _, s := range []*site{n.north, n.south} {
		var err error
		s.wire, err = wire.New(n.clinic.proc.address)
		require.NoError(t, err)
		_, err = s.join(n.ctx, cfg.Program, n.dir, n.clinic, owner)
		require.NoError(t, err)
		require.NoError(t, s.open(n.ctx, cfg.Program, n.dir))
	}
	n.settle()
	require.NoError(t, n.err)
	return &torture{t: t, n: n, random: rand.New(rand.NewPCG(seed, 1)), rounds: rounds,
		figures: testrun.Figures{Kind: kind, Rounds: rounds}, told: map[string]int{}}
}

// victim is any of the three.
func (k *torture) victim() *site { return k.n.sites()[k.random.IntN(3)] }

// laptop is either of the two.
func (k *torture) laptop() *site { return []*site{k.n.north, k.n.south}[k.random.IntN(2)] }

// pause is a moment, so that whatever is done comes at any point of what goes on.
func (k *torture) pause(most int) {
	time.Sleep(time.Duration(k.random.IntN(most)) * time.Millisecond)
}

// open starts a site again.
func (k *torture) open(s *site, when string) {
	k.t.Helper()
	require.NoError(k.t, s.open(k.t.Context(), k.n.cfg.Program, k.n.dir), "%s %s", s.name, when)
}

// write starts one writer at each site.
func (k *torture) write() {
	ctx, stop := context.WithCancel(k.n.ctx)
	k.stop = stop
	for _, s := range k.n.sites() {
		address := s.proc.address // kept over every restart
		k.all.Go(func() { k.writer(ctx, s, address) })
	}
}

// writer enters bursts of vehicles, each an entity of its own, and remembers
// every one that was acknowledged. An answer that did not come says nothing.
func (k *torture) writer(ctx context.Context, s *site, address string) {
	for i := 0; ctx.Err() == nil; i++ {
		if i%6 == 0 || k.written.Load() >= k.allowed.Load() { // a burst, then a breath
			time.Sleep(15 * time.Millisecond)
		}
		if k.written.Load() < k.allowed.Load() {
			k.enter(ctx, s, address, i)
		}
	}
}

// enter opens a link of its own, since the daemon behind the address changes.
func (k *torture) enter(ctx context.Context, s *site, address string, i int) {
	conn, err := dial(address)
	if err != nil {
		k.fail(err)
		return
	}
	defer conn.Close()
	answer, err := pb.NewRecordServiceClient(conn).Write(ctx, vehicle(s, i))
	switch status.Code(err) {
	case codes.OK:
		k.written.Add(1)
		k.acknowledged(ack{s, answer.Record})
	case codes.Unavailable, codes.Canceled:
	case codes.Unauthenticated: // Windows: it was dialled with the token of the one that was killed
	default:
		k.fail(fmt.Errorf("%s: %w", s.name, err))
	}
}

// vehicle is one entry, an entity of its own.
func vehicle(s *site, i int) *pb.WriteRequest {
	return &pb.WriteRequest{
		Author: owner, RequestId: fmt.Sprintf("%s-%d", s.name, i),
		Entry: &pb.Entry{Body: &pb.Entry_VehicleAdded{VehicleAdded: &pb.VehicleAdded{Name: fmt.Sprintf("%s %d", s.name, i)}}},
	}
}

// add enters some at a site whose program runs; what is refused is not counted.
func (k *torture) add(s *site, n int) (refused error) {
	for range n {
		if err := k.save(s, vehicle(s, int(k.written.Add(1)))); err != nil {
			refused = err
		}
	}
	return refused
}

// save makes one entry at a site whose program runs.
func (k *torture) save(s *site, entry *pb.WriteRequest) error {
	answer, err := s.record.Write(k.t.Context(), entry)
	if err == nil {
		k.acknowledged(ack{s, answer.Record})
	}
	return err
}

func (k *torture) acknowledged(a ack) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.n.acks = append(k.n.acks, a)
	k.told[a.at.name]++
}

func (k *torture) fail(err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.bad == nil {
		k.bad = err
	}
}

func (k *torture) stopWriting() {
	k.stop()
	k.all.Wait()
	require.NoError(k.t, k.bad)
}

// settle waits until all three hold the same and all is on the server.
func (k *torture) settle(when string) {
	k.t.Helper()
	k.n.settle()
	require.NoError(k.t, k.n.err, when)
}

// lacks lists the acknowledged entries that a site does not hold.
func (k *torture) lacks(s *site, acks []ack) (out []ack) {
	k.t.Helper()
	for _, a := range acks {
		held, err := s.holds(k.t.Context(), a.hash)
		require.NoError(k.t, err)
		if !held {
			out = append(out, a)
		}
	}
	return out
}

// tell waits until all agree, looks for what was acknowledged on all three, and
// prints the figures.
func (k *torture) tell() {
	k.t.Helper()
	k.settle("in the end")
	lacking := map[string]int{} // by hash, on how many
	for _, s := range k.n.sites() {
		for _, a := range k.lacks(s, k.n.acks) {
			lacking[a.hash]++
		}
	}
	for _, on := range lacking {
		if on == len(k.n.sites()) {
			k.figures.Lost++
		} else {
			k.figures.Stranded++
		}
	}
	k.figures.Acknowledged = len(k.n.acks)
	k.figures.Tell(k.t)
}

// verified kills all three once more, and lets nobody mend them before they are
// verified.
func (k *torture) verified() {
	k.t.Helper()
	for _, s := range k.n.sites() {
		s.proc.kill()
		out, code := k.verify(s)
		require.Zero(k.t, code, "%s: %s", s.name, out)
	}
}

// verify runs the command over a stopped site.
func (k *torture) verify(s *site) (out string, code int) {
	folder, err := s.folder(k.n.dir)
	require.NoError(k.t, err)
	return commandLine(k.t, append([]string{"verify"}, folder...)...)
}
