package rpc

import (
	"context"
	"errors"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// exchangeService carries a responder over gRPC.
type exchangeService struct {
	pb.UnsafeExchangeServiceServer
	responder *replication.Responder
	rooms     rooms
}

func (s exchangeService) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	return s.responder.Hello(ctx, req)
}

func (s exchangeService) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	leave, err := s.rooms.enter(req)
	if err != nil {
		return nil, err
	}
	defer leave()
	return s.responder.Push(ctx, req)
}

func (s exchangeService) Keys(ctx context.Context, req *pb.KeysRequest) (*pb.KeysResponse, error) {
	return s.responder.Keys(ctx, req)
}

func (s exchangeService) Pull(req *pb.PullRequest, stream grpc.ServerStreamingServer[pb.PullResponse]) error {
	return s.responder.Pull(stream.Context(), req, outgoing{stream})
}

// outgoing is a stream of gRPC as a responder sees it.
type outgoing struct {
	grpc.ServerStreamingServer[pb.PullResponse]
}

// SendShared encodes a message once: all streams of this program encode alike.
func (o outgoing) SendShared(slot *replication.Encoded, message func() *pb.PullResponse) error {
	ready, err := slot.Get(func() (any, error) {
		m := &grpc.PreparedMsg{}
		return m, m.Encode(o.ServerStreamingServer, message())
	})
	if err != nil {
		return err
	}
	return o.SendMsg(ready)
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

// DialPeer prepares a link to the replica that a laptop exchanges records with.
// Arrived is told whenever anything comes from there.
func DialPeer(addr string, creds credentials.TransportCredentials, arrived func()) (replication.Peer, error) {
	conn, err := Dial(addr, listening{creds, arrived})
	if err != nil {
		return nil, err
	}
	return &peer{conn: conn, client: pb.NewExchangeServiceClient(conn)}, nil
}

// peer is the other side over gRPC.
type peer struct {
	conn   *grpc.ClientConn
	client pb.ExchangeServiceClient
}

func (p *peer) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	out, err := p.client.Hello(ctx, req, grpc.WaitForReady(false))
	if authority.IsInDoubt(err) {
		err = refusal.Fail(replication.ErrInDoubt, "%s", Sentence(err))
	} else {
		err = Sentence(err)
	}
	return out, err
}

func (p *peer) Offer(ctx context.Context, req *pb.OfferRequest) (*pb.OfferResponse, error) {
	out, err := pb.NewCharterServiceClient(p.conn).Offer(ctx, req)
	return out, Sentence(err)
}

func (p *peer) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	out, err := p.client.Push(ctx, req)
	return out, Sentence(err)
}

func (p *peer) Keys(ctx context.Context, req *pb.KeysRequest) (*pb.KeysResponse, error) {
	out, err := p.client.Keys(ctx, req)
	return out, Sentence(err)
}

func (p *peer) Pull(ctx context.Context, req *pb.PullRequest) (replication.Incoming, error) {
	stream, err := p.client.Pull(ctx, req)
	if err != nil {
		return nil, Sentence(err)
	}
	return incoming{stream}, nil
}

func (p *peer) Close() error { return p.conn.Close() }

// incoming is a stream of gRPC as a link sees it.
type incoming struct {
	stream grpc.ServerStreamingClient[pb.PullResponse]
}

func (i incoming) Recv() (*pb.PullResponse, error) {
	out, err := i.stream.Recv()
	return out, Sentence(err)
}

// Sentence is a gRPC error as people read it, without its code.
func Sentence(err error) error {
	if s, ok := status.FromError(err); ok && s.Message() != "" {
		return errors.New(s.Message())
	}
	return err
}
