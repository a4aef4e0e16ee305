package access

import (
	"context"
	"errors"
	"net"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/phones"
	pb "thawtrail/proto/thawtrail/v1"
)

// PhoneDesk lets phones use this laptop's pages, and shuts them out.
type Phones struct {
	query.Reader
	Registry    *phones.Registry
	Listening   net.Addr // where phones come in; nil: nowhere
	Fingerprint []string // of the certificate shown there
}

// pairPath is the page where a phone types its code.
const pairPath = "/pair"

// ListPhones tells which phones are paired, and where a phone finds the pages.
func (s *Phones) ListPhones(ctx context.Context, _ *pb.ListPhonesRequest) (*pb.ListPhonesResponse, error) {
	out := &pb.ListPhonesResponse{}
	if s.Listening != nil {
		addresses, err := s.addresses(pairPath)
		if err != nil {
			return nil, err
		}
		out.Addresses, out.CertificateSha256 = addresses, s.Fingerprint
	}
	err := s.View(ctx, func(b *query.ReadView) error {
		for _, p := range s.Registry.Phones() {
			out.Phones = append(out.Phones, &pb.Phone{
				Phone: p.ID, Name: p.Name, Person: p.Person, PersonName: b.Name(event.KindPerson, p.Person),
				PairedAt: b.Stamp(p.PairedMs), LastSeenAt: b.Stamp(p.SeenMs),
			})
		}
		for _, i := range s.Registry.Invites() {
			out.Codes = append(out.Codes, phoneCode(b, i))
		}
		return nil
	})
	return out, err
}

func phoneCode(b *query.ReadView, i phones.Invite) *pb.PhoneCode {
	return &pb.PhoneCode{
		Code: i.Code, Person: i.Person, PersonName: b.Name(event.KindPerson, i.Person), ExpiresAt: b.Stamp(i.ExpiresMs()),
	}
}

func (s *Phones) addresses(path string) ([]*pb.PhoneAddress, error) {
	found, err := phones.Addresses(s.Listening)
	var out []*pb.PhoneAddress
	for _, a := range found {
		out = append(out, &pb.PhoneAddress{Interface: a.Interface, Url: a.URL(path)})
	}
	return out, err
}

// PairPhone makes a one-time code for one phone of one person.
func (s *Phones) PairPhone(ctx context.Context, req *pb.PairPhoneRequest) (*pb.PairPhoneResponse, error) {
	if s.Listening == nil {
		return nil, refusal.Fail(refusal.ErrUnready, "this laptop's agent was started without --phone ADDRESS, so no phone can reach it; start it with e.g. --phone 0.0.0.0:4290")
	}
	out := &pb.PairPhoneResponse{CertificateSha256: s.Fingerprint}
	err := s.View(ctx, func(b *query.ReadView) error {
		person, err := b.Resolve("person", event.KindPerson, req.Person)
		if err != nil {
			return err
		}
		made, err := s.Registry.Invite(person)
		if errors.Is(err, phones.ErrFull) {
			return refusal.Fail(refusal.ErrTooMuch, "%s", err.Error())
		}
		if err != nil {
			return err
		}
		out.Code = phoneCode(b, made)
		out.Addresses, err = s.addresses(pairPath + "/" + made.Code)
		return err
	})
	return out, err
}

// RevokePhone ends a phone's session and cuts its open pages at once.
func (s *Phones) RevokePhone(ctx context.Context, req *pb.RevokePhoneRequest) (*pb.RevokePhoneResponse, error) {
	p, cut, err := s.Registry.Revoke(req.Phone)
	if errors.Is(err, phones.ErrNoSuchPhone) {
		return nil, refusal.Fail(refusal.ErrNotFound, "%s", err.Error())
	}
	if err != nil {
		return nil, err
	}
	out := &pb.RevokePhoneResponse{Phone: p.ID, Name: p.Name, PagesCut: int32(cut)}
	return out, s.View(ctx, func(b *query.ReadView) error {
		out.PersonName = b.Name(event.KindPerson, p.Person)
		return nil
	})
}
