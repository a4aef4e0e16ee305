package access

import (
	"cmp"
	"context"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// PinDesk sets PINs and switches between the people of one machine.
type PINs struct {
	query.Reader
	// Opens says whether a passphrase opens this laptop: who forgot a PIN sets a
	// new one with it.
	Opens func(passphrase string) bool
}

// person finds somebody by name or id.
func (s *PINs) person(ctx context.Context, text string) (id, name string, err error) {
	err = s.View(ctx, func(b *query.ReadView) error {
		id, err = b.Resolve("person", event.KindPerson, text)
		name = b.Name(event.KindPerson, id)
		return err
	})
	return id, name, err
}

// SetPin sets a PIN. Whoever has one proves it first, or the laptop's passphrase.
func (s *PINs) SetPin(ctx context.Context, req *pb.SetPinRequest) (*pb.SetPinResponse, error) {
	id, name, err := s.person(ctx, req.Person)
	if err != nil {
		return nil, err
	}
	if s.Pins.Has(id) && !(req.Passphrase != "" && s.Opens(req.Passphrase)) {
		if _, err := s.Pins.Prove(id, req.OldPin); err != nil {
			return nil, refusal.Fail(refusal.ErrDenied, "the PIN until now, or the laptop's passphrase, is needed to change it: %v", err)
		}
	}
	if err := s.Pins.Set(id, req.Pin); err != nil {
		if _, ok := refusal.As(err); ok {
			return nil, err
		}
		return nil, replica.NotSaved(err)
	}
	return &pb.SetPinResponse{Person: id, PersonName: name}, nil
}

// Switch says who types from now on. It never fails for want of a PIN.
func (s *PINs) Switch(ctx context.Context, req *pb.SwitchRequest) (*pb.SwitchResponse, error) {
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
func (s *PINs) ListPins(ctx context.Context, _ *pb.ListPinsRequest) (*pb.ListPinsResponse, error) {
	out := &pb.ListPinsResponse{}
	err := s.View(ctx, func(b *query.ReadView) error {
		now, proven := s.Pins.Current(pins.CommandLine)
		people := s.Pins.People()
		if now != "" && !s.Pins.Has(now) {
			people = append(people, now)
		}
		for _, id := range people {
			row := &pb.PinRow{Person: id, PersonName: b.Person(id), PinSet: s.Pins.Has(id), TypesNow: id == now}
			if row.TypesNow {
				row.ProvenAt = b.At(proven)
			}
			out.Pins = append(out.Pins, row)
		}
		slices.SortFunc(out.Pins, func(x, y *pb.PinRow) int { return cmp.Compare(x.PersonName, y.PersonName) })
		return nil
	})
	return out, err
}
