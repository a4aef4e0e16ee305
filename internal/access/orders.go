package access

import (
	"bytes"
	"context"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// JoinedFor is for whom a laptop joined, by the books; empty where they do not say.
func JoinedFor(rights *ledger.Rights, device []byte) string {
	i := slices.IndexFunc(rights.Devices, func(d ledger.DeviceRight) bool { return bytes.Equal(d.Device, device) })
	if i < 0 {
		return ""
	}
	return rights.Devices[i].Person
}

// Ordering says who orders at a laptop what the practice's server is to do: the owner for
// whom it joined, and nobody else. The server asks its own books and has the last word;
// here the person at the keyboard is asked for what the server cannot see.
type Ordering struct{ query.Reader }

// Owner is for whom this laptop joined, when that person is an owner.
func (o Ordering) Owner(ctx context.Context) (person, name string, err error) {
	rights, err := RightsOf(ctx, o.Store)
	if err != nil {
		return "", "", err
	}
	if o.Joined != nil {
		person = o.Joined.Person
	}
	if person == "" && rights.Founded() {
		person = JoinedFor(rights, o.Store.Device())
	}
	if person == "" {
		return "", "", refusal.Fail(refusal.ErrDenied, "this laptop joined no practice for an owner; orders to the server come from a laptop that did")
	}
	err = o.View(ctx, func(b *query.ReadView) error {
		name = b.Person(person)
		return nil
	})
	if err != nil {
		return "", "", err
	}
	if _, ok := rights.GrantFor(person, []pb.Role{pb.Role_ROLE_OWNER}); rights.Founded() && !ok {
		return "", "", refusal.Fail(refusal.ErrDenied, "orders to the server come from an owner's own laptop; this one joined for %s, who has not the role owner", name)
	}
	return person, name, nil
}

// By is the owner in whose name an order is given, and how this laptop knows that it is
// the owner who types. By is the name that was typed, or empty. An owner who has a PIN
// here gives it with the order itself, as with every act that asks for one; but an order
// without it is not given at all.
func (o Ordering) By(ctx context.Context, by, pin string) (person string, proof *pb.AuthorProof, err error) {
	person, name, err := o.Owner(ctx)
	if err != nil {
		return "", nil, err
	}
	if by != "" {
		typed := ""
		if err := o.View(ctx, func(b *query.ReadView) error {
			typed, err = b.Resolve("by", event.KindPerson, by)
			return err
		}); err != nil {
			return "", nil, err
		}
		if typed != person {
			return "", nil, refusal.Conflict("by", by, name+", for whom this laptop joined: every owner orders from a laptop of their own")
		}
	}
	none := &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE}
	switch {
	case o.Pins == nil || !o.Pins.Has(person):
		return person, none, nil
	case pin == "":
		return "", nil, refusal.New("pin", "", "the PIN of "+name+" on this laptop, since the server does at once what is ordered")
	}
	proven, err := o.Pins.Prove(person, pin)
	if err != nil {
		return "", nil, refusal.Fail(refusal.ErrDenied, "nothing was ordered: %v", err)
	}
	return person, &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: proven.UnixMicro()}, nil
}
