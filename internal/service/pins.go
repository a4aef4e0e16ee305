package service

import (
	"cmp"
	"context"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// PinDesk sets PINs and switches between the people of one machine.
type PinDesk struct {
	pb.UnimplementedPinServiceServer
	*Replica
	// Opens says whether a passphrase opens this laptop: who forgot a PIN sets a
	// new one with it.
	Opens func(passphrase string) bool
}

// Hand is who writes: the seat where it was typed. Nobody says that no one has
// signed on there, because the page is locked.
type Hand struct {
	Seat   pins.Seat
	Nobody bool
}

// typing is who was switched to at a seat; empty for nobody.
func (r *Replica) typing(seat pins.Seat) string {
	if r.Pins == nil {
		return ""
	}
	person, _ := r.Pins.Current(seat)
	return person
}

// asksPIN says that an act asks for its author's PIN: one that the contract marks
// so, and any that goes past a caution.
func asksPIN(spec *event.Spec, overrides []*pb.Override) bool {
	return spec.Rule.GetAsksPin() || len(overrides) > 0
}

// AsksPIN says that an event asks for its author's PIN, also when no caution is
// gone past.
func AsksPIN(spec *event.Spec) bool { return asksPIN(spec, nil) }

// proofOf is how this machine knows the author of an entry. An act that asks for a
// PIN wants it with the act itself: who walks up to an open page discards nothing in
// another's name. For all else the proof of the seat counts. Without proof an entry
// is made all the same, and says so; of an act that asked, it also says why.
func (r *Replica) proofOf(e *entry, hand Hand, pin string) (*pb.AuthorProof, string) {
	none := &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE}
	asks := asksPIN(e.spec, e.draft.Overrides)
	var proven time.Time
	err := pins.ErrNone
	switch {
	case r.Pins == nil || e.author == "":
	case asks:
		proven, err = r.Pins.Prove(e.author, pin)
	default:
		var person string
		if person, proven = r.Pins.Current(hand.Seat); person == e.author && !proven.IsZero() {
			err = nil
		}
	}
	switch {
	case err == nil:
		return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: proven.UnixMicro()}, ""
	case asks:
		return none, "Saved with 'no proof' of who did it: " + err.Error() + "."
	}
	return none, ""
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
	if err := s.Pins.Switch(pins.CommandLine, id, req.Pin); err != nil {
		out.Proof, out.Text = pb.ProofKind_PROOF_KIND_NONE, "Entries say 'no proof' of who typed: "+err.Error()+"."
	}
	return out, nil
}

// ListPins says who has a PIN on this machine, and who types at its command line.
func (s *PinDesk) ListPins(ctx context.Context, _ *pb.ListPinsRequest) (*pb.ListPinsResponse, error) {
	out := &pb.ListPinsResponse{}
	err := s.view(ctx, func(b *book) error {
		now, proven := s.Pins.Current(pins.CommandLine)
		people := s.Pins.People()
		if now != "" && !s.Pins.Has(now) {
			people = append(people, now)
		}
		for _, id := range people {
			row := &pb.PinRow{Person: id, PersonName: b.person(id), PinSet: s.Pins.Has(id), TypesNow: id == now}
			if row.TypesNow {
				row.ProvenAt = b.at(proven)
			}
			out.Pins = append(out.Pins, row)
		}
		slices.SortFunc(out.Pins, func(x, y *pb.PinRow) int { return cmp.Compare(x.PersonName, y.PersonName) })
		return nil
	})
	return out, err
}
