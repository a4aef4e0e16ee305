// Package replicationtest joins the two halves of package replication without a
// network, for tests and simulations.
package replicationtest

import (
	"context"
	"errors"
	"io"

	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// Direct is a peer that calls a responder of this very process. Messages are handed
// over as they are: neither side may change one that it has sent.
type Direct struct{ Responder *replication.Responder }

var _ replication.Peer = Direct{}

// Hello implements replication.Peer.
func (d Direct) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	return d.Responder.Hello(ctx, req)
}

// Push implements replication.Peer.
func (d Direct) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	return d.Responder.Push(ctx, req)
}

// Keys implements replication.Peer.
func (d Direct) Keys(ctx context.Context, req *pb.KeysRequest) (*pb.KeysResponse, error) {
	return d.Responder.Keys(ctx, req)
}

// Offer implements replication.Peer. A responder alone is never in doubt.
func (Direct) Offer(context.Context, *pb.OfferRequest) (*pb.OfferResponse, error) {
	return nil, errors.New("nothing is in doubt here")
}

// Pull implements replication.Peer. The stream holds one message at most.
func (d Direct) Pull(ctx context.Context, req *pb.PullRequest) (replication.Incoming, error) {
	s := &stream{ctx: ctx, messages: make(chan *pb.PullResponse), ended: make(chan error, 1)}
	go func() { s.ended <- d.Responder.Pull(ctx, req, s) }()
	return s, nil
}

// Close implements replication.Peer; streams end with their contexts.
func (Direct) Close() error { return nil }

// stream is both ends of a pull.
type stream struct {
	ctx      context.Context
	messages chan *pb.PullResponse
	ended    chan error
}

func (s *stream) Send(m *pb.PullResponse) error {
	select {
	case s.messages <- m:
		return nil
	case <-s.ctx.Done():
		return s.ctx.Err()
	}
}

func (s *stream) SendShared(slot *replication.Encoded, message func() *pb.PullResponse) error {
	form, err := slot.Get(func() (any, error) { return message(), nil })
	if err != nil {
		return err
	}
	return s.Send(form.(*pb.PullResponse))
}

func (s *stream) Recv() (*pb.PullResponse, error) {
	select {
	case m := <-s.messages:
		return m, nil
	case err := <-s.ended:
		return nil, errors.Join(err, io.EOF)
	case <-s.ctx.Done():
		return nil, s.ctx.Err()
	}
}
