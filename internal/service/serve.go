package service

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"

	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// Timing of links. Client and server must agree: a client that pings more often
// than MinPing allows is sent away.
const (
	PingEvery   = 30 * time.Second // of a client, also while nothing is said
	PingTimeout = 10 * time.Second // then the link is dead
	MinPing     = 20 * time.Second // what a server allows
	StopWithin  = 10 * time.Second // a graceful stop ends the hard way after this
	callTimeout = 30 * time.Second

	maxMessage = 4 << 20
	window     = 1 << 20
)

// Services that a caller from another machine may call: an admitted laptop
// exchanges records, a stranger may join, and anyone may ask whether the program
// is up. Questions and entries are for this machine alone: each laptop has its
// own books, and vouches for its own people.
func newGate(members authority.Members, token string) *authority.Gate {
	return &authority.Gate{
		Members: members, Token: token, Within: answerWithin,
		Device: []string{pb.ExchangeService_ServiceDesc.ServiceName},
		Enrol:  []string{pb.EnrolService_ServiceDesc.ServiceName},
		Anyone: []string{healthpb.Health_ServiceDesc.ServiceName},
	}
}

// answerWithin bounds a call that answers once: a caller that sends it drop by
// drop does not hold it open.
const answerWithin = 2 * time.Minute

// A link that is cut without a word is noticed by pings: both sides must agree
// on them.
var (
	allowPings  = grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: MinPing, PermitWithoutStream: true})
	answerPings = grpc.KeepaliveParams(keepalive.ServerParameters{Time: PingEvery, Timeout: PingTimeout})
	sendPings   = grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: PingEvery, Timeout: PingTimeout, PermitWithoutStream: true})
)

// Door is how callers reach a replica.
type Door struct {
	Credentials credentials.TransportCredentials
	Members     authority.Members // nil: callers of this machine only
	Token       string            // proves a local caller
}

// Mount puts the services of a replica on a new gRPC server, with health and
// reflection. Both sides of the practice mount the same.
func Mount(r *Replica, x *Exchange, d Door) *grpc.Server {
	gate := newGate(d.Members, d.Token)
	s := grpc.NewServer(
		grpc.Creds(d.Credentials), grpc.UnaryInterceptor(gate.Unary), grpc.StreamInterceptor(gate.Stream),
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxSendMsgSize(maxMessage),
		grpc.InitialWindowSize(window), grpc.InitialConnWindowSize(window),
		grpc.MaxConcurrentStreams(256), grpc.ConnectionTimeout(PingTimeout),
		allowPings, answerPings,
	)
	pb.RegisterRecordServiceServer(s, &Records{Replica: r})
	pb.RegisterStockServiceServer(s, &Stock{Replica: r})
	pb.RegisterCaseServiceServer(s, &Cases{Replica: r})
	pb.RegisterAuditServiceServer(s, &Audit{Replica: r})
	pb.RegisterPlanServiceServer(s, &Plans{Now: r.Clock.Now})
	pb.RegisterExchangeServiceServer(s, x)
	pb.RegisterProofServiceServer(s, &Proofs{Replica: r})
	pb.RegisterPrivacyServiceServer(s, &Privacy{Replica: r})
	pb.RegisterCarryServiceServer(s, &Carry{Replica: r})
	healthpb.RegisterHealthServer(s, health.NewServer())
	reflection.Register(s)
	return s
}

// Dial prepares a link to another replica. It connects when first used.
func Dial(addr string, creds credentials.TransportCredentials) (*grpc.ClientConn, error) {
	return grpc.NewClient(addr,
		grpc.WithTransportCredentials(creds),
		sendPings,
		grpc.WithInitialWindowSize(window), grpc.WithInitialConnWindowSize(window),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage), grpc.MaxCallSendMsgSize(maxMessage)),
	)
}

// Stopped is how a program ended that was told to stop: what was under way and
// was cancelled by that is no fault.
func Stopped(asked context.Context, err error) error {
	if asked.Err() != nil && (errors.Is(err, context.Canceled) || status.Code(err) == codes.Canceled) {
		return nil
	}
	return err
}

// Serve serves on every listener until ctx ends, then stops gracefully, and hard
// after StopWithin.
func Serve(ctx context.Context, s *grpc.Server, listeners ...net.Listener) error {
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error {
		<-ctx.Done()
		hard := time.AfterFunc(StopWithin, s.Stop)
		defer hard.Stop()
		s.GracefulStop()
		return nil
	})
	for _, l := range listeners {
		group.Go(func() error {
			if err := s.Serve(l); ctx.Err() == nil {
				return fmt.Errorf("serve on %s: %w", l.Addr(), err)
			}
			return nil
		})
	}
	return group.Wait()
}

// Fold keeps the index up to date until ctx ends, so that a query rarely waits.
func (r *Replica) Fold(ctx context.Context) error {
	for {
		changed := r.Store.Changed()
		err := r.Store.CatchUp(ctx)
		if err == nil {
			err = r.dropForgotten(ctx)
		}
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, store.ErrClosed) {
				return nil
			}
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
		r.letPass(ctx)
	}
}

// While records keep coming, folding waits: taking and acknowledging them goes
// first. A query does not wait for this; it folds what it needs.
const (
	foldQuiet  = 20 * time.Millisecond  // without a new record
	foldLatest = 600 * time.Millisecond // after the first one
	foldMost   = 100_000                // records behind
)

// letPass waits until no more records come, at most foldLatest.
func (r *Replica) letPass(ctx context.Context) {
	latest := time.NewTimer(foldLatest)
	defer latest.Stop()
	quiet := time.NewTimer(foldQuiet)
	defer quiet.Stop()
	for r.Store.Behind() < foldMost {
		saved := r.Store.Saved()
		select {
		case <-ctx.Done():
			return
		case <-latest.C:
			return
		case <-quiet.C:
			return
		case <-saved:
			quiet.Reset(foldQuiet)
		}
	}
}

// PracticeID is the practice that this replica's books belong to; empty for none.
func (r *Replica) PracticeID(ctx context.Context) (id string, err error) {
	err = r.Store.View(ctx, func(v *store.Snapshot) error {
		rights, err := v.Rights()
		if err == nil && rights.Founded() {
			id = rights.Founding.Practice
		}
		return err
	})
	return id, err
}

// Metrics serves the Prometheus text format until ctx ends. An empty address
// serves nothing.
func (r *Replica) Metrics(ctx context.Context, addr string) error {
	if addr == "" {
		return nil
	}
	l, err := trust.Listen(addr)
	if err != nil {
		return err
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	gauge := func(name, help string, value func() float64) {
		reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "thawtrail", Name: name, Help: help}, value))
	}
	gauge("records", "Records saved here.", func() float64 { return float64(r.Store.Records()) })
	gauge("unsent_records", "Records of this device that no server has acknowledged.", func() float64 { return float64(r.unsent()) })
	gauge("repairs", "Repairs since this replica was opened.", func() float64 { return float64(len(r.Store.Repairs())) })
	gauge("last_heard_seconds", "Unix time when this replica last heard from the server; 0 for never.", func() float64 {
		if t := r.Link.LastHeard(); !t.IsZero() {
			return float64(t.Unix())
		}
		return 0
	})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{}))
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: PingTimeout, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() }) // ending by Close is the normal end
	defer stop()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("metrics on %s: %w", addr, err)
	}
	return nil
}
