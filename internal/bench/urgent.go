package bench

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

const urgentLimit = "one frame of the same size from the server to the last of as many bare gRPC streams over mutual TLS, each on a connection of its own"

// arrivals counts how many streams were reached by the round that is on.
type arrivals struct {
	mu      sync.Mutex
	left    int
	reached chan struct{}
}

// begin starts a round of n arrivals.
func (a *arrivals) begin(n int) <-chan struct{} {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.left, a.reached = n, make(chan struct{})
	return a.reached
}

func (a *arrivals) one() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.left--; a.left == 0 {
		close(a.reached)
	}
}

// listen opens one bare stream and counts what comes over it, until it ends with
// the measure.
func (a *arrivals) listen(ctx context.Context, group *errgroup.Group, addr string, creds credentials.TransportCredentials) error {
	conn, err := bareDial(addr, creds)
	if err != nil {
		return err
	}
	stream, err := openBare(ctx, conn)
	if err != nil {
		return errors.Join(err, conn.Close())
	}
	group.Go(func() error {
		defer conn.Close()
		for stream.RecvMsg(&pb.PullResponse{}) == nil {
			a.one()
		}
		return nil
	})
	return nil
}

// fanned is how long each of some rounds took to reach the last of n streams.
func fanned(ctx context.Context, a *arrivals, n int, rounds int64, send func(round int64) error) ([]time.Duration, error) {
	var times []time.Duration
	for i := range rounds {
		reached := a.begin(n)
		watch := stopwatch()
		if err := send(i); err != nil {
			return nil, err
		}
		select {
		case <-reached:
			times = append(times, watch())
		case <-time.After(time.Minute):
			return nil, fmt.Errorf("round %d did not reach all streams within a minute", i)
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		time.Sleep(20 * time.Millisecond) // lets what follows the frame pass by
	}
	return times, nil
}

// urgentMeasure times a hold written on the server until its frame has reached
// the last of 1,000 streams.
func urgentMeasure(ctx context.Context, l *lab) ([]Result, error) {
	n, rounds := int(l.size(1000)), l.size(50)
	limits, err := bareFan(ctx, n, rounds)
	if err != nil {
		return nil, err
	}
	times, err := l.holdFan(ctx, n, rounds)
	if err != nil {
		return nil, err
	}
	r := against("urgent_1000", int64(n), percentile(times, 99), percentile(limits, 99), urgentLimit)
	r.More["p50_ms"], r.More["p99_ms"] = ms(median(times)), ms(percentile(times, 99))
	r.More["limit_p50_ms"], r.More["limit_p99_ms"] = ms(median(limits)), ms(percentile(limits, 99))
	r.More["rounds"] = rounds
	return []Result{r}, nil
}

// frameBytes is the size of the bare frame: a hold as one record.
const frameBytes = 400

// bareFan sends one frame to each of n bare streams.
func bareFan(ctx context.Context, n int, rounds int64) (times []time.Duration, err error) {
	link, err := tlsLink()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	streams := make(chan grpc.ServerStream, n)
	var group errgroup.Group
	addr, stop, err := link.serve(func(s grpc.ServerStream) error {
		streams <- s
		<-s.Context().Done()
		return nil
	})
	if err != nil {
		return nil, err
	}
	defer func() { cancel(); stop(); err = errors.Join(err, group.Wait()) }()
	a := &arrivals{}
	for range n {
		if err := a.listen(ctx, &group, addr, link.client); err != nil {
			return nil, err
		}
	}
	open := make([]grpc.ServerStream, n)
	for i := range open {
		open[i] = <-streams
	}
	frame := &pb.PullResponse{Runs: []*pb.Run{{Log: make([]byte, 32), Records: [][]byte{make([]byte, frameBytes)}}}}
	return fanned(ctx, a, n, rounds, func(int64) error {
		for _, s := range open {
			if err := s.SendMsg(frame); err != nil {
				return err
			}
		}
		return nil
	})
}

// holdFan writes holds on a server with n streams open, as laptops open them.
func (l *lab) holdFan(ctx context.Context, n int, rounds int64) (times []time.Duration, err error) {
	from, err := l.hub(ctx, 10_000)
	if err != nil {
		return nil, err
	}
	dir, err := l.copied(from)
	if err != nil {
		return nil, err
	}
	links, err := members(ctx, dir, n)
	if err != nil {
		return nil, err
	}
	srv, err := startServer(ctx, dir, clock.System{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, srv.stop()) }()
	ctx, cancel := context.WithCancel(ctx)
	var group errgroup.Group
	defer func() { cancel(); err = errors.Join(err, group.Wait()) }()
	a := &arrivals{}
	held, err := heldBy(ctx, srv)
	if err != nil {
		return nil, err
	}
	if err := openPulls(ctx, []string{srv.addr}, links, held, a, &group); err != nil {
		return nil, err
	}
	return fanned(ctx, a, n, rounds, func(round int64) error { return hold(ctx, srv, from.known, round) })
}

// heldBy is all that a server holds: what a laptop that lacks nothing says.
func heldBy(ctx context.Context, srv *runningReplica) ([]*pb.HeldLog, error) {
	got, err := pb.NewAuditServiceClient(srv.conn).GetDigest(ctx, &pb.GetDigestRequest{})
	if err != nil {
		return nil, err
	}
	var out []*pb.HeldLog
	for _, h := range got.Heads {
		log, _ := event.ParseHash(h.Log)
		tip, _ := event.ParseHash(h.Hash)
		device, err := hex.DecodeString(h.Device)
		if err != nil {
			return nil, err
		}
		lane := pb.Lane_LANE_ORDINARY
		if h.Lane == "urgent" {
			lane = pb.Lane_LANE_URGENT
		}
		out = append(out, &pb.HeldLog{Tip: &pb.Tip{Log: log[:], Seq: h.Seq, Hash: tip[:]}, Lane: lane, Device: device})
	}
	return out, nil
}

// member is one laptop's side of a link.
type member struct {
	device []byte
	creds  credentials.TransportCredentials
}

// members enters n laptops into the books of a stopped server.
func members(ctx context.Context, hub string, n int) (out []member, err error) {
	home, err := trust.Open(hub, secret(), rand.Reader)
	if err != nil {
		return nil, err
	}
	root, err := home.Joined.Root()
	if err != nil {
		return nil, err
	}
	var drafts []store.Draft
	for range n {
		key, err := authority.NewKey(rand.Reader)
		if err != nil {
			return nil, err
		}
		creds, err := authority.Practice(key, root)
		if err != nil {
			return nil, err
		}
		public := authority.Public(key)
		out = append(out, member{event.DeviceID(public), creds})
		drafts = append(drafts, store.Draft{Type: event.TypeDeviceAdded, Payload: &pb.DeviceAdded{Device: event.DeviceID(public), PublicKey: public, Name: "laptop"}})
	}
	return out, fill(ctx, hub, clock.System{}, func(s *store.Store) error {
		owner, grant, err := nights.Owner(ctx, s)
		if err != nil {
			return err
		}
		for i := range drafts {
			drafts[i].Author, drafts[i].Grant = owner, grant
		}
		_, err = s.Append(ctx, drafts...)
		return err
	})
}

// openPulls opens a stream for each link, at the addresses in turn, and returns when all have
// caught up.
func openPulls(ctx context.Context, at []string, links []member, held []*pb.HeldLog, a *arrivals, group *errgroup.Group) error {
	var ready sync.WaitGroup
	for i, link := range links {
		conn, err := rpc.Dial("passthrough:///"+at[i%len(at)], link.creds)
		if err != nil {
			return err
		}
		ready.Add(1)
		if err := openPull(ctx, conn, link.device, held, a, ready.Done, group); err != nil {
			return fmt.Errorf("a link to %s: %w", at[i%len(at)], err)
		}
	}
	ready.Wait()
	return nil
}

// openPull opens one stream and counts the frames that carry a hold.
func openPull(ctx context.Context, conn *grpc.ClientConn, device []byte, held []*pb.HeldLog, a *arrivals, ready func(), group *errgroup.Group) error {
	stream, err := pb.NewExchangeServiceClient(conn).Pull(ctx, &pb.PullRequest{Device: device, Held: held}, grpc.WaitForReady(true))
	if err != nil {
		return errors.Join(err, conn.Close())
	}
	urgent := map[string]bool{}
	for _, h := range held {
		if h.Lane == pb.Lane_LANE_URGENT {
			urgent[string(h.Tip.Log)] = true
		}
	}
	group.Go(func() error {
		defer conn.Close()
		for first := true; ; {
			resp, err := stream.Recv()
			if err != nil {
				return nil // the stream ends with the measure
			}
			if resp.CaughtUp && first {
				first = false
				ready()
			}
			for _, run := range resp.Runs {
				if urgent[string(run.Log)] {
					a.one()
				}
			}
		}
	})
	return nil
}

func hold(ctx context.Context, srv *runningReplica, k nights.Known, round int64) error {
	_, err := pb.NewRecordServiceClient(srv.conn).Write(ctx, &pb.WriteRequest{Author: vetName, Entry: &pb.Entry{Body: &pb.Entry_BatchHeld{
		BatchHeld: &pb.BatchHeld{Product: k.Product, Batch: fmt.Sprintf("H%05d", 1+round), Reason: "the maker called"}}}})
	return err
}
