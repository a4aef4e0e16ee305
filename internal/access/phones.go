package access

import (
	"context"
	"errors"
	"net"
	"strconv"
	"sync/atomic"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/phones"
	pb "thawtrail/proto/thawtrail/v1"
)

// Phones lets phones use this laptop's pages, and shuts them out; on the clinic's server,
// browsers of the clinic's network.
type Phones struct {
	query.Reader
	Registry    *phones.Registry
	Fingerprint []string // of the certificate shown there
	// Names are those by which browsers may call this machine beside its addresses.
	Names []string
	// Rights are those of the books as they stand, on the clinic's server: who holds no
	// role gets no page there. Nil on a laptop, where whoever sits at it decides.
	Rights func() *ledger.Rights
	// Refresh reads them anew: a role that was given a moment ago counts. Nil with Rights.
	Refresh func(context.Context) error

	listening atomic.Pointer[net.TCPAddr]
}

// Listen says where phones come in from now on.
func (s *Phones) Listen(at net.Addr) {
	if tcp, ok := at.(*net.TCPAddr); ok {
		s.listening.Store(tcp)
	}
}

// at is where phones come in; nil: nowhere.
func (s *Phones) at() *net.TCPAddr { return s.listening.Load() }

// Admits says that a person may still use the pages over the network.
func (s *Phones) Admits(person string) bool {
	return s.Rights == nil || len(s.Rights().Roles(person)) > 0
}

// Owns says that a person may take all records away over the network: an owner, at the
// clinic's server. Whoever sees stock and cases there needs no file with every client.
func (s *Phones) Owns(person string) bool {
	if s.Rights == nil {
		return false
	}
	_, ok := s.Rights().GrantFor(person, []pb.Role{pb.Role_ROLE_OWNER})
	return ok
}

// Decides says that a person may let others in, and decide about people, over the
// network: an owner or somebody of the clinic, at the clinic's server.
func (s *Phones) Decides(person string) bool {
	if s.Rights == nil {
		return false
	}
	_, ok := s.Rights().GrantFor(person, []pb.Role{pb.Role_ROLE_OWNER, pb.Role_ROLE_CLINIC})
	return ok
}

// Sweep ends the sessions of those who hold no role any more, and cuts their open pages.
// The books are read after the list: who was let in by then had a role by then.
func (s *Phones) Sweep(ctx context.Context) (ended int, err error) {
	paired := s.Registry.Phones()
	if len(paired) == 0 {
		return 0, nil
	}
	rights, err := RightsOf(ctx, s.Store)
	if err != nil || !rights.Founded() {
		return 0, err
	}
	for _, p := range paired {
		if len(rights.Roles(p.Person)) > 0 {
			continue
		}
		_, _, failed := s.Registry.Revoke(p.ID)
		err = errors.Join(err, failed)
		ended++
	}
	return ended, err
}

// pairPath is the page where a phone types its code.
const pairPath = "/pair"

// ListPhones tells which phones are paired, and where a phone finds the pages.
func (s *Phones) ListPhones(ctx context.Context, _ *pb.ListPhonesRequest) (*pb.ListPhonesResponse, error) {
	out := &pb.ListPhonesResponse{}
	if s.at() != nil {
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
				PairedAt: b.Stamp(p.PairedMs), LastSeenAt: b.Stamp(p.SeenMs), MadeBy: p.MadeBy, MadeByName: nameOf(b, p.MadeBy),
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

// nameOf is the name of a person, empty for nobody.
func nameOf(b *query.ReadView, person string) string {
	if person == "" {
		return ""
	}
	return b.Name(event.KindPerson, person)
}

func (s *Phones) addresses(path string) ([]*pb.PhoneAddress, error) {
	found, err := phones.Addresses(s.at())
	var out []*pb.PhoneAddress
	for _, a := range found {
		out = append(out, &pb.PhoneAddress{Interface: a.Interface, Url: a.URL(path)})
	}
	for _, name := range s.Names {
		out = append(out, &pb.PhoneAddress{Url: "https://" + net.JoinHostPort(name, strconv.Itoa(s.at().Port)) + path})
	}
	return out, err
}

// PairPhone makes a one-time code for one phone of one person.
func (s *Phones) PairPhone(ctx context.Context, req *pb.PairPhoneRequest) (*pb.PairPhoneResponse, error) {
	if err := s.ready(); err != nil {
		return nil, err
	}
	if s.Refresh != nil {
		if err := s.Refresh(ctx); err != nil {
			return nil, err
		}
	}
	out := &pb.PairPhoneResponse{CertificateSha256: s.Fingerprint}
	err := s.View(ctx, func(b *query.ReadView) error {
		person, err := b.Resolve("person", event.KindPerson, req.Person)
		if err != nil {
			return err
		}
		by, err := s.letInBy(b, req.By, person)
		if err != nil {
			return err
		}
		made, err := s.Registry.Invite(person, by)
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

// ready refuses where no phone could come in.
func (s *Phones) ready() error {
	switch {
	case s.at() != nil:
		return nil
	case s.Rights != nil:
		return refusal.Fail(refusal.ErrUnready, "no other computer can reach this server's pages: it was started without --pages on an address of the clinic's network, or that address is taken; start it with e.g. --pages 0.0.0.0:4280")
	}
	return refusal.Fail(refusal.ErrUnready, "this laptop's agent was started without --phone ADDRESS, so no phone can reach it; start it with e.g. --phone 0.0.0.0:4290")
}

// letInBy is who lets a phone of a person in. On the clinic's server that takes a role, on
// both sides; the first owner does it where nobody is named.
func (s *Phones) letInBy(b *query.ReadView, text, person string) (by string, err error) {
	if text != "" {
		if by, err = b.Resolve("by", event.KindPerson, text); err != nil {
			return "", err
		}
	}
	if s.Rights == nil {
		return by, nil
	}
	if by == "" && s.Rights().Founded() {
		by = s.Rights().Founding.Owner
	}
	if !s.Decides(by) {
		return "", refusal.Fail(refusal.ErrDenied, "%s may not let anybody in: that needs the role owner or clinic", nameOf(b, by))
	}
	if !s.Admits(person) {
		return "", refusal.Fail(refusal.ErrUnready, "%s has no role in this practice: give one first", nameOf(b, person))
	}
	return by, nil
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
