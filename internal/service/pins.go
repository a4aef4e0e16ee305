package service

import (
	"context"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// PinDesk sets PINs and switches between the people of one laptop.
type PinDesk struct {
	pb.UnimplementedPinServiceServer
	*Replica
	// Opens says whether a passphrase opens this laptop: who forgot a PIN sets a
	// new one with it.
	Opens func(passphrase string) bool
}

// typing is who was switched to on this laptop; empty for nobody.
func (r *Replica) typing() string {
	if r.Pins == nil {
		return ""
	}
	person, _ := r.Pins.Current()
	return person
}

// proofOf is how this laptop knows an author. Without a PIN an entry is made all
// the same, and says so.
func (r *Replica) proofOf(author string) *pb.AuthorProof {
	if r.Pins != nil {
		if person, proven := r.Pins.Current(); person == author && author != "" && !proven.IsZero() {
			return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: proven.UnixMicro()}
		}
	}
	return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE}
}

// person finds somebody by name or id.
func (s *PinDesk) person(ctx context.Context, text string) (id, name string, err error) {
	err = s.view(ctx, func(b *book) error {
		id, err = b.resolve("person", event.KindPerson, text)
		name = b.name(event.Key{Kind: event.KindPerson, ID: id})
		return err
	})
	return id, name, err
}

// SetPin sets a PIN. Whoever has one proves it first, or the laptop's passphrase.
func (s *PinDesk) SetPin(ctx context.Context, req *pb.SetPinRequest) (*pb.SetPinResponse, error) {
	id, name, err := s.person(ctx, req.Person)
	if err != nil {
		return nil, err
	}
	if s.Pins.Has(id) && !(req.Passphrase != "" && s.Opens(req.Passphrase)) {
		if _, err := s.Pins.Prove(id, req.OldPin); err != nil {
			return nil, status.Error(codes.PermissionDenied, "the PIN until now, or the laptop's passphrase, is needed to change it: "+err.Error())
		}
	}
	if err := s.Pins.Set(id, req.Pin); err != nil {
		if _, ok := refusal.As(err); ok {
			return nil, Status(err)
		}
		return nil, unsaved(err)
	}
	return &pb.SetPinResponse{Person: id, PersonName: name}, nil
}

// Switch says who types from now on. It never fails for want of a PIN.
func (s *PinDesk) Switch(ctx context.Context, req *pb.SwitchRequest) (*pb.SwitchResponse, error) {
	id, name, err := s.person(ctx, req.Person)
	if err != nil {
		return nil, err
	}
	out := &pb.SwitchResponse{Person: id, PersonName: name, Proof: pb.ProofKind_PROOF_KIND_PIN}
	if err := s.Pins.Switch(id, req.Pin); err != nil {
		out.Proof, out.Text = pb.ProofKind_PROOF_KIND_NONE, "Entries say 'no proof' of who typed: "+err.Error()+"."
	}
	return out, nil
}
