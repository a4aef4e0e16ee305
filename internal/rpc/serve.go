package rpc

import (
	"context"
	"fmt"
	"net"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"thawtrail/internal/entry"
	"thawtrail/internal/plans"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
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
// exchanges records and an owner's gives orders, a stranger may join, a laptop may bring back what a server in
// doubt has lost, and anyone may ask whether the program is up. Questions and entries are for this machine alone: each laptop has its
// own books, and vouches for its own people.
func newGate(members authority.Members, token string) *authority.Gate {
	return &authority.Gate{
		Members: members, Token: token, Within: answerWithin,
		Device:  []string{pb.ExchangeService_ServiceDesc.ServiceName, pb.OrderService_ServiceDesc.ServiceName},
		Enrol:   []string{pb.EnrolService_ServiceDesc.ServiceName},
		Unknown: []string{pb.CharterService_ServiceDesc.ServiceName},
		Anyone:  []string{healthpb.Health_ServiceDesc.ServiceName},
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

// Callers is who may call a replica, and how they prove who they are.
type Callers struct {
	Credentials credentials.TransportCredentials
	Members     authority.Members // nil: callers of this machine only
	Token       string            // proves a local caller
	// Room, from NewRoom, is shared by the practices of a process: what their laptops bring waits
	// there to be saved; nil: the practice's own bound is enough.
	Room *semaphore.Weighted
	// Called is told of each call when it has ended; nil: nobody is.
	Called func(Call)
}

// Call is one call that has ended. Its service and method are of the contract: of any other
// nobody is told.
type Call struct {
	Service, Method string
	Code            codes.Code
	Open            bool // it stayed open, as long as the other side wanted
	Took            time.Duration
}

// Mount puts the services of a replica on a new gRPC server, with the health that
// the caller keeps, and reflection. Both sides of the practice mount the same.
func Mount(r *replica.Replica, x *replication.Responder, from Callers, h healthpb.HealthServer) *grpc.Server {
	gate, watch := newGate(from.Members, from.Token), watcher{called: from.Called, elapsed: r.Clock.Monotonic}
	s := grpc.NewServer(
		grpc.Creds(from.Credentials), marks(r), marksStreams(r),
		grpc.ChainUnaryInterceptor(watch.unary, gate.Unary, unaryStatus), grpc.ChainStreamInterceptor(watch.stream, gate.Stream, streamStatus),
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxSendMsgSize(maxMessage),
		grpc.InitialWindowSize(window), grpc.InitialConnWindowSize(window),
		grpc.MaxConcurrentStreams(256), grpc.ConnectionTimeout(PingTimeout),
		allowPings, answerPings,
	)
	reads, writes := query.Reader{Replica: r}, entry.NewWriter(r)
	pb.RegisterRecordServiceServer(s, recordService{Writer: writes})
	pb.RegisterStockServiceServer(s, stockService{Reader: reads})
	pb.RegisterCaseServiceServer(s, caseService{Reader: reads})
	pb.RegisterAuditServiceServer(s, auditService{Reader: reads})
	pb.RegisterPlanServiceServer(s, &plans.Plans{Now: r.Clock.Now})
	pb.RegisterExchangeServiceServer(s, exchangeService{responder: x, rooms: newRooms(from.Room)})
	pb.RegisterProofServiceServer(s, proofService{Reader: reads})
	pb.RegisterPrivacyServiceServer(s, privacyService{Reader: reads})
	pb.RegisterCarryServiceServer(s, &carryService{Writer: writes})
	healthpb.RegisterHealthServer(s, h)
	reflection.Register(s)
	return s
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
