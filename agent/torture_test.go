package agent_test

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// tally remembers what a server and laptops acknowledged, and looks for it.
type tally struct {
	t       *testing.T
	figures testrun.Figures
	acked   []string
}

// enter makes an entry at one side; it must be saved, whatever goes on.
func (y *tally) enter(conn *grpc.ClientConn) {
	y.t.Helper()
	entry := place(fmt.Sprintf("shelf %d", len(y.acked)))
	entry.Author = "M. Alder"
	answer, err := pb.NewRecordServiceClient(conn).Write(y.t.Context(), entry)
	require.NoError(y.t, err)
	y.acked = append(y.acked, answer.Record)
}

// tell looks for every acknowledged entry on all sides and prints the figures.
func (y *tally) tell(sides ...*grpc.ClientConn) {
	y.t.Helper()
	for _, id := range y.acked {
		on := 0
		for _, conn := range sides {
			if _, err := pb.NewAuditServiceClient(conn).GetRecord(y.t.Context(), &pb.GetRecordRequest{Record: id}); err == nil {
				on++
			}
		}
		switch on {
		case len(sides):
		case 0:
			y.figures.Lost++
		default:
			y.figures.Stranded++
		}
	}
	y.figures.Acknowledged = len(y.acked)
	y.figures.Tell(y.t)
}

// jumping is the machine's clock, set to and fro.
type jumping struct {
	clock.System
	by atomic.Int64
}

func (j *jumping) Now() time.Time { return j.System.Now().Add(time.Duration(j.by.Load())) }

// TestTortureClocks sets the clock of a whole agent or server in every round, by
// seconds or by years, while both write; every other time the program starts anew
// with it. A laptop that is far off says so once it has measured that.
func TestTortureClocks(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	hub, barn := &jumping{}, &jumping{}
	c.stop()
	c.time = hub
	c.start(c.addr)
	l := newLaptop(t, "north")
	l.server, l.time = c.addr, barn
	c.enrol(l, "J. Reed", pb.Role_ROLE_VET)
	c.same(l)
	y := tally{t: t, figures: testrun.Figures{Kind: "clock jumps", Rounds: testrun.Rounds(4, 20, 200)}}
	seed := testrun.Seed()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	for round := range y.figures.Rounds {
		sizes := []time.Duration{time.Second, time.Minute, time.Hour, 24 * time.Hour, 300 * 24 * time.Hour}
		by := sizes[random.IntN(len(sizes))] * time.Duration(random.IntN(7)-3)
		[]*jumping{hub, barn}[random.IntN(2)].by.Store(int64(by))
		y.enter(l.conn)
		y.enter(c.conn)
		if round%2 == 0 {
			l.stop()
			l.start()
			y.enter(l.conn)
		}
		c.holds(l)
		if off := time.Duration(hub.by.Load() - barn.by.Load()); round%2 == 0 && off.Abs() > time.Hour && !l.toldOfItsClock() {
			y.figures.Silent++
		}
	}
	y.tell(c.conn, l.conn)
}

// holds waits until the server has all that a laptop wrote, and both know the same.
func (c *clinic) holds(l *laptop) {
	c.t.Helper()
	eventually(c.t, "all is on the server", func() bool {
		s, err := l.audit.GetStatus(c.t.Context(), &pb.GetStatusRequest{})
		return err == nil && s.SavedHere == 0 && digest(c.t, c.conn) == digest(c.t, l.conn)
	})
}

// toldOfItsClock waits until a laptop says that its clock is off.
func (l *laptop) toldOfItsClock() bool {
	for range 200 {
		s, err := l.audit.GetStatus(l.t.Context(), &pb.GetStatusRequest{})
		require.NoError(l.t, err)
		if slices.ContainsFunc(s.Cautions, func(c *pb.Caution) bool { return c.Code == "clock_off" }) {
			return true
		}
		time.Sleep(20 * time.Millisecond)
	}
	return false
}

// floods are what an admitted laptop, altered by somebody, can do to the server. Each
// goes on until its context ends; answers do not matter.
var floods = map[string]func(ctx context.Context, x pb.ExchangeServiceClient, key ed25519.PrivateKey){
	"streams": func(ctx context.Context, x pb.ExchangeServiceClient, key ed25519.PrivateKey) {
		for ctx.Err() == nil {
			if stream, err := x.Pull(ctx, &pb.PullRequest{Device: idOf(key)}); err == nil {
				go func() {
					for err == nil {
						_, err = stream.Recv()
					}
				}()
			}
		}
	},
	"hellos": func(ctx context.Context, x pb.ExchangeServiceClient, key ed25519.PrivateKey) {
		b := exchange.Beliefs{Protocol: exchange.Protocol, Key: authority.Public(key), Name: "x"}
		copy(b.Device[:], idOf(key))
		for i := range 5000 {
			h := exchange.HeldLog{Log: event.Hash{byte(i), byte(i >> 8), 1}, Tips: []exchange.Tip{{Seq: 1 << 40, Hash: event.Hash{7}}}}
			b.Held = append(b.Held, h)
		}
		for ctx.Err() == nil {
			_, _ = x.Hello(ctx, &pb.HelloRequest{Beliefs: b.PB()})
		}
	},
	"noise": func(ctx context.Context, x pb.ExchangeServiceClient, key ed25519.PrivateKey) {
		for n := byte(0); ctx.Err() == nil; n++ {
			var runs []*pb.Run
			for i := range 32 {
				log := event.Hash{n, byte(i), 2}
				runs = append(runs, &pb.Run{Log: log[:], Records: [][]byte{make([]byte, 30<<10)}})
			}
			_, _ = x.Push(ctx, &pb.PushRequest{Device: idOf(key), Runs: runs})
		}
	},
	"keys": func(ctx context.Context, x pb.ExchangeServiceClient, key ed25519.PrivateKey) {
		for n := uint32(0); ctx.Err() == nil; {
			var keys []*pb.FieldKey
			for range 1000 {
				n++
				id := event.Hash{byte(n), byte(n >> 8), byte(n >> 16), 3}
				keys = append(keys, &pb.FieldKey{KeyId: id[:16], Key: id[:], Entity: &pb.EntityKey{Kind: "client", Id: fmt.Sprint(n)}})
			}
			_, _ = x.Push(ctx, &pb.PushRequest{Device: idOf(key), Keys: keys})
			_, _ = x.Keys(ctx, &pb.KeysRequest{Device: idOf(key), Wanted: make([][]byte, 400)})
		}
	},
}

func idOf(key ed25519.PrivateKey) []byte { return event.DeviceID(authority.Public(key)) }

// TestTortureFloods lets one member flood the server in every round while another
// laptop works. What that one saved reaches the server all the same, and comes back.
func TestTortureFloods(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	greedy, l := c.join("south", "M. Alder"), c.join("north", "J. Reed", pb.Role_ROLE_VET)
	c.same(l)
	greedy.stop()
	key := greedy.home().Device
	y := tally{t: t, figures: testrun.Figures{Kind: "floods by members", Rounds: testrun.Rounds(4, 12, 80)}}
	names := slices.Sorted(maps.Keys(floods))
	for round := range y.figures.Rounds {
		ctx, stop := context.WithCancel(t.Context())
		var all sync.WaitGroup
		for range 2 {
			conn := c.link(key)
			all.Go(func() {
				floods[names[round%len(names)]](ctx, pb.NewExchangeServiceClient(conn), key)
				_ = conn.Close() // a device has few links at once
			})
		}
		for range 5 {
			y.enter(l.conn)
			y.enter(c.conn)
		}
		c.holds(l)
		stop()
		all.Wait()
	}
	y.figures.Met = fmt.Sprint("by turns: ", names)
	greedy.start()
	c.holds(greedy)
	c.holds(l)
	y.tell(c.conn, l.conn, greedy.conn)
}
