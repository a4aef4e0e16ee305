package replication

import (
	"context"
	"sync"

	pb "thawtrail/proto/thawtrail/v1"
)

// Peer is the other side of a session as the one that called reaches it. Its
// errors are sentences for people.
type Peer interface {
	Hello(context.Context, *pb.HelloRequest) (*pb.HelloResponse, error)
	Push(context.Context, *pb.PushRequest) (*pb.PushResponse, error)
	Pull(context.Context, *pb.PullRequest) (Incoming, error)
	Keys(context.Context, *pb.KeysRequest) (*pb.KeysResponse, error)
	// Offer is answered by a server that met Hello with ErrInDoubt.
	Offer(context.Context, *pb.OfferRequest) (*pb.OfferResponse, error)
	Close() error
}

// Incoming is a stream of what the other side has; an error ends it.
type Incoming interface {
	Recv() (*pb.PullResponse, error)
}

// Outgoing takes what a responder streams to one caller.
type Outgoing interface {
	Send(*pb.PullResponse) error
	// SendShared sends a message that goes to many streams alike. A transport
	// that encodes does so once and keeps the form in the slot.
	SendShared(slot *Encoded, message func() *pb.PullResponse) error
}

// Encoded keeps the encoded form of a message that many streams send. The zero
// value is empty.
type Encoded struct {
	once sync.Once
	form any
	err  error
}

// Get gives the encoded form, made by the first caller.
func (e *Encoded) Get(encode func() (any, error)) (any, error) {
	e.once.Do(func() { e.form, e.err = encode() })
	return e.form, e.err
}
