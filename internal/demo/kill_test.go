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
	kills    = flag.Int("kills", 0, "how often a process is killed; the usual number when 0")
	killSeed = flag.Uint64("killseed", 0, "seed of the killing; the usual one, or a new one in a long run, when 0")
)

// TestKilledAtRandom kills the server and both agents again and again while all
// three write and exchange. In the end every acknowledged entry is on all three,
// all three agree, no log was forked and every replica verifies from end to end.
func TestKilledAtRandom(t *testing.T) {
	rounds, seed := cmp.Or(*kills, testrun.Of(8, 50)), cmp.Or(*killSeed, testrun.Seed())
	t.Logf("again with: go test ./internal/demo -run TestKilledAtRandom -kills %d -killseed %d", rounds, seed)
	k := startKilling(t)
	k.write()
	random := rand.New(rand.NewPCG(seed, 1))
	for round := range rounds {
		k.allowed.Add(perRound)
		time.Sleep(time.Duration(random.IntN(120)) * time.Millisecond)
		victim := k.n.sites()[random.IntN(3)]
		victim.proc.kill()
		if round%3 == 0 { // the others go on alone for a while
			time.Sleep(time.Duration(random.IntN(200)) * time.Millisecond)
		}
		require.NoError(t, victim.open(t.Context(), k.n.cfg.Program, k.n.dir), "%s after kill %d", victim.name, round)
	}
	k.stopWriting()
	k.check()
}

// perRound bounds what the writers enter between two kills, so that a long run
// stays a run of many kills and not of many records.
const perRound = 24

// killing is a night's three machines and one writer at each.
type killing struct {
	t    *testing.T
	n    *night
	stop context.CancelFunc
	all  sync.WaitGroup

	allowed, written atomic.Int64

	mu   sync.Mutex // guards n.acks while the writers run
	bad  error
	told map[string]int // acknowledged, by site
}

// startKilling founds a practice on the server and lets both agents learn of it.
func startKilling(t *testing.T) *killing {
	t.Helper()
	cfg := Config{Fast: true, Out: &strings.Builder{}, Program: program(t), Clock: clock.System{}}
	n := newNight(t.Context(), cfg, t.TempDir())
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
	return &killing{t: t, n: n, told: map[string]int{}}
}

// write starts one writer at each site.
func (k *killing) write() {
	ctx, stop := context.WithCancel(k.n.ctx)
	k.stop = stop
	for _, s := range k.n.sites() {
		address := s.proc.address // kept over every restart
		k.all.Go(func() { k.writer(ctx, s, address) })
	}
}

// writer enters bursts of vehicles, each an entity of its own, and remembers
// every one that was acknowledged. An answer that did not come says nothing.
func (k *killing) writer(ctx context.Context, s *site, address string) {
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
func (k *killing) enter(ctx context.Context, s *site, address string, i int) {
	conn, err := dial(address)
	if err != nil {
		k.fail(err)
		return
	}
	defer conn.Close()
	answer, err := pb.NewRecordServiceClient(conn).Write(ctx, &pb.WriteRequest{
		Author: owner, RequestId: fmt.Sprintf("%s-%d", s.name, i),
		Entry: &pb.Entry{Body: &pb.Entry_VehicleAdded{VehicleAdded: &pb.VehicleAdded{Name: fmt.Sprintf("%s %d", s.name, i)}}},
	})
	switch status.Code(err) {
	case codes.OK:
		k.written.Add(1)
		k.acknowledged(ack{s, answer.Record})
	case codes.Unavailable, codes.Canceled:
	default:
		k.fail(fmt.Errorf("%s: %w", s.name, err))
	}
}

func (k *killing) acknowledged(a ack) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.n.acks = append(k.n.acks, a)
	k.told[a.at.name]++
}

func (k *killing) fail(err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.bad == nil {
		k.bad = err
	}
}

func (k *killing) stopWriting() {
	k.stop()
	k.all.Wait()
	require.NoError(k.t, k.bad)
}

// check waits until all agree and looks for what was acknowledged.
func (k *killing) check() {
	t, n := k.t, k.n
	n.settle()
	require.NoError(t, n.err)
	for _, s := range n.sites() {
		require.Positive(t, k.told[s.name], "%s acknowledged nothing", s.name)
		lost := 0
		for _, a := range n.acks {
			held, err := s.holds(t.Context(), a.hash)
			require.NoError(t, err)
			if !held {
				lost++
			}
		}
		require.Zero(t, lost, "acknowledged entries that %s does not hold, of %d", s.name, len(n.acks))
		st := ask(n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
		require.Empty(t, st.GetSetAside(), s.name)
		found := ask(n, s, s.audit.ListDiscrepancies, &pb.ListDiscrepanciesRequest{})
		require.Empty(t, found.GetDiscrepancies(), "%s: a log was forked, or the like", s.name)
	}
	require.NoError(t, n.err)
	_, records := n.digests()
	t.Logf("%d records; acknowledged: %v", records[0], k.told)
	for _, s := range n.sites() {
		s.proc.kill() // once more, and nobody mends it before it is verified
		folder, err := s.folder(n.dir)
		require.NoError(t, err)
		out, code := commandLine(t, append([]string{"verify"}, folder...)...)
		require.Zero(t, code, "%s: %s", s.name, out)
	}
}
