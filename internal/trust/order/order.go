// Package order is what an owner's laptop signs when it orders something of the
// practice's server from afar: to let a laptop in, to shut one out.
//
// A practice whose server stands elsewhere has nobody at that machine. So its owner
// orders from the laptop that joined for the owner:
//
//	challenge = 32 random bytes, asked by the server of this laptop over this link
//	order     = founding, laptop, challenge, owner, how the laptop knew the owner, action
//	signature = Ed25519(device key, "thawtrail owner order 1", order)
//
// The server signs nothing and trusts no clock: a challenge serves one order, over the
// link over which it was asked, for a minute by a clock that nobody can set. So an order
// that was seen is worth nothing a second time, on another link or at another server. The
// bytes that were signed are the bytes that are sent and checked; an order with a field
// that this program does not know is refused whole, and never carried out in part.
//
// What an owner is, and whose the laptop is, the books say: package server asks them.
package order

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/trust/invite"
	pb "thawtrail/proto/thawtrail/v1"
)

// context: what is signed as an order serves nothing else.
const context = "thawtrail owner order 1\x00"

// Bounds of an order. The largest one carries the request of a laptop that joins by file.
const (
	MaxBytes       = invite.MaxClaimBytes + 8<<10
	challengeBytes = 32
	maxPerson      = 200
)

// Errors of reading an order.
var (
	// ErrMalformed: not an order of this protocol.
	ErrMalformed = errors.New("not a whole order")
	// ErrForged: the signature is not this laptop's over these bytes.
	ErrForged = errors.New("the signature of this order does not hold: it was changed, or another laptop signed it")
	// ErrNewer: the order says more than this program understands.
	ErrNewer = errors.New("this order is of a newer version than this program; bring the server up to date")
)

// Sign makes what a laptop sends. The laptop's id is filled in.
func Sign(device ed25519.PrivateKey, what *pb.OwnerOrder) (*pb.OrderRequest, error) {
	what = proto.CloneOf(what)
	what.Device = event.DeviceID(device.Public().(ed25519.PublicKey))
	raw, err := proto.Marshal(what)
	if err != nil {
		return nil, fmt.Errorf("order: %w", err)
	}
	return &pb.OrderRequest{Order: raw, Signature: ed25519.Sign(device, signed(raw))}, nil
}

func signed(raw []byte) []byte { return append([]byte(context), raw...) }

// Open reads an order of the laptop with this key. It does not say that the order
// answers a challenge, nor that who gives it may.
func Open(device ed25519.PublicKey, req *pb.OrderRequest) (*pb.OwnerOrder, error) {
	if n := len(req.GetOrder()); n == 0 || n > MaxBytes || len(req.GetSignature()) != ed25519.SignatureSize {
		return nil, ErrMalformed
	}
	if !ed25519.Verify(device, signed(req.Order), req.Signature) {
		return nil, ErrForged
	}
	what := &pb.OwnerOrder{}
	if err := proto.Unmarshal(req.Order, what); err != nil {
		return nil, ErrMalformed
	}
	if err := known(what); err != nil {
		return nil, err
	}
	if len(what.Founding) != sha256.Size || !bytes.Equal(what.Device, event.DeviceID(device)) || len(what.Challenge) != challengeBytes ||
		what.Person == "" || len(what.Person) > maxPerson || what.Action == nil || !proven(what.Proof) {
		return nil, ErrMalformed
	}
	return what, nil
}

// proven says that a proof is one that a laptop gives.
func proven(p *pb.AuthorProof) bool {
	switch p.GetKind() {
	case pb.ProofKind_PROOF_KIND_NONE:
		return p.ProvenUs == 0 && len(p.OrderedAt) == 0
	case pb.ProofKind_PROOF_KIND_PIN:
		return p.ProvenUs > 0 && len(p.OrderedAt) == 0
	}
	return false
}

// known says that all of an order is understood here.
func known(what *pb.OwnerOrder) error {
	return protorange.Range(what.ProtoReflect(), func(p protopath.Values) error {
		if m, ok := p.Index(-1).Value.Interface().(protoreflect.Message); ok && len(m.GetUnknown()) > 0 {
			return ErrNewer
		}
		return nil
	})
}
