package server

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/access"
	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// registry lets laptops into the practice and shuts them out again.
type registry struct {
	pb.UnimplementedEnrolServiceServer
	pb.UnimplementedHubServiceServer
	replica *replica.Replica
	writes  *entry.Writer
	home    *trust.Home
	root    ed25519.PrivateKey
	book    *invite.Registry
	members *access.Members
	links   *authority.Links

	joining sync.Mutex // one laptop at a time: the records of one do not mix with another's
}

func newRegistry(h *hub, root ed25519.PrivateKey, members *access.Members, links *authority.Links) (*registry, error) {
	saved, save, err := h.home.Box(invitesFile, vault.Invites)
	if err != nil {
		return nil, err
	}
	book, err := invite.NewBook(saved, h.replica.Clock.Now, save)
	if err != nil {
		return nil, err
	}
	return &registry{
		replica: h.replica, writes: entry.NewWriter(h.replica), home: h.home, root: root,
		book: book, members: members, links: links,
	}, nil
}

// Invite makes a one-time code for a laptop of a person.
func (g *registry) Invite(ctx context.Context, req *pb.InviteRequest) (*pb.InviteResponse, error) {
	out, err := g.inviteHere(ctx, req)
	return out, rpc.Status(err)
}

// inviteHere invites for whoever sits at the server.
func (g *registry) inviteHere(ctx context.Context, req *pb.InviteRequest) (*pb.InviteResponse, error) {
	return g.invite(ctx, req, nil)
}

// invite makes a code; ordered is how an owner's laptop knew who ordered it, nil at the
// server itself.
func (g *registry) invite(ctx context.Context, req *pb.InviteRequest, ordered *pb.AuthorProof) (*pb.InviteResponse, error) {
	for _, r := range req.Roles {
		if r == pb.Role_ROLE_UNSPECIFIED || pb.Role_name[int32(r)] == "" {
			return nil, refusal.New("role", r, "vet, assistant, clinic or owner")
		}
	}
	in := invite.Invite{
		Roles:     slices.Compact(slices.Sorted(slices.Values(req.Roles))),
		OrderedAt: ordered.GetOrderedAt(), ProvenUs: ordered.GetProvenUs(),
	}
	var err error
	if in.By, err = g.owner(ctx, req.By); err != nil {
		return nil, err
	}
	if err := g.findPerson(ctx, req.Person, &in); err != nil {
		return nil, err
	}
	if in.New && len(in.Roles) == 0 {
		return nil, refusal.New("role", "", "a role for a new person: vet, assistant, clinic or owner")
	}
	code, err := invite.NewCode(authority.Public(g.root), rand.Reader)
	if err != nil {
		return nil, err
	}
	in.Key = code.Key()
	life := invite.Lifetime
	if req.Seconds > 0 {
		life = time.Duration(min(req.Seconds, 1<<31)) * time.Second
	}
	expires, err := g.book.Add(in, life)
	if err != nil {
		return nil, refusal.Fail(refusal.ErrTooMuch, "%s", err.Error())
	}
	out := &pb.InviteResponse{Code: code.Text(), Person: in.Person, PersonName: in.Name, Roles: in.Roles}
	out.ExpiresAt, err = access.Stamp(ctx, g.replica, expires)
	return out, err
}

// findPerson takes a person who is known, or the name of a new one.
func (g *registry) findPerson(ctx context.Context, text string, in *invite.Invite) error {
	text = strings.TrimSpace(text)
	if text == "" || len(text) > 200 {
		return refusal.New("person", text, "the name of the person who uses the laptop")
	}
	found, err := g.writes.Resolve(ctx, &pb.ResolveRequest{Kind: event.KindPerson, Text: text})
	switch {
	case err == nil && (found.Id == text || strings.EqualFold(found.Name, text)):
		in.Person, in.Name = found.Id, found.Name
	case err == nil || isRefusal(err): // near a known name is not that name
		in.Name, in.New = text, true
	default:
		return err
	}
	return nil
}

func isRefusal(err error) bool {
	_, ok := rpc.Refusal(err)
	return ok
}

// owner finds who lets in or shuts out: an owner, the first one when not said.
func (g *registry) owner(ctx context.Context, text string) (string, error) {
	rights, err := access.RightsOf(ctx, g.replica.Store)
	if err != nil {
		return "", err
	}
	if !rights.Founded() {
		return "", errors.New("the practice's founding has not come to this server yet")
	}
	id, name := rights.Founding.Owner, "the first owner"
	if text != "" {
		found, err := g.writes.Resolve(ctx, &pb.ResolveRequest{Kind: event.KindPerson, Text: text})
		if err != nil {
			return "", err
		}
		id, name = found.Id, found.Name
	}
	if _, ok := rights.GrantFor(id, []pb.Role{pb.Role_ROLE_OWNER}); !ok {
		return "", refusal.Fail(refusal.ErrDenied, "%s may not do this: it needs the role owner", name)
	}
	return id, nil
}

// Enrol answers a laptop that joins over the network.
func (g *registry) Enrol(ctx context.Context, req *pb.EnrolRequest) (*pb.EnrolResponse, error) {
	caller, ok := authority.CallerOf(ctx)
	if !ok || caller.Way != authority.ByEnrolment {
		return nil, status.Error(codes.PermissionDenied, "laptops join over a link of their own")
	}
	return g.admit(ctx, req, caller.Server)
}

// AdmitFile answers a laptop whose request came in a file.
func (g *registry) AdmitFile(ctx context.Context, req *pb.AdmitFileRequest) (*pb.AdmitFileResponse, error) {
	resp, err := g.admit(ctx, req.GetRequest(), nil)
	return &pb.AdmitFileResponse{Response: resp}, err
}

// admit checks a request, writes the laptop into the books and answers it.
// channel is the key of the link that the request must name; nil for a file.
func (g *registry) admit(ctx context.Context, req *pb.EnrolRequest, channel ed25519.PublicKey) (*pb.EnrolResponse, error) {
	claim, err := invite.Claim(req)
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	if !bytes.Equal(claim.Channel, channel) {
		return nil, status.Error(codes.PermissionDenied, "this request was made for another link")
	}
	if doubt := g.members.Doubt(); doubt != "" {
		return nil, authority.InDoubt(doubt)
	}
	g.joining.Lock()
	defer g.joining.Unlock()
	in, err := g.book.Use(req, claim.PublicKey)
	switch {
	case errors.Is(err, invite.ErrTooManyTries):
		return nil, status.Error(codes.ResourceExhausted, err.Error())
	case errors.Is(err, invite.ErrNoSuchCode), errors.Is(err, invite.ErrUsed):
		return nil, status.Error(codes.PermissionDenied, err.Error())
	case err != nil:
		return nil, rpc.Status(fmt.Errorf("the code could not be marked used: %w", err))
	}
	// A laptop that gives up while its records are written asks again later.
	ctx = context.WithoutCancel(ctx)
	if err := g.enter(ctx, claim, &in); err != nil {
		return nil, rpc.Status(err)
	}
	if err := g.refresh(ctx); err != nil {
		return nil, rpc.Status(err)
	}
	g.replica.Log.Info("a laptop joined", "name", claim.DeviceName, "device", hex.EncodeToString(event.DeviceID(claim.PublicKey))[:12], "person", in.Name)
	resp, err := invite.Answer(in.Key, g.root, req, &pb.EnrolAnswer{
		Practice: g.home.Joined.Practice, PracticeName: g.home.Joined.PracticeName, Founding: g.home.Joined.Founding,
		Authority: g.home.Joined.Authority, Person: in.Person, PersonName: in.Name, Roles: in.Roles, PublicKey: claim.PublicKey,
		Rehearsal: g.home.Joined.Rehearsal,
	})
	return resp, rpc.Status(err)
}

// enter writes person, roles, laptop and its earlier logs into the books, each
// where it is not there yet.
func (g *registry) enter(ctx context.Context, claim *pb.EnrolClaim, in *invite.Invite) error {
	sum := sha256.Sum256(in.Key)
	request := "enrol-" + hex.EncodeToString(sum[:8])
	if in.New {
		answer, err := g.writes.WriteBy(ctx, entry.Actor{Ordered: in.Ordered()}, &pb.WriteRequest{RequestId: request + "-person", Author: in.By,
			Entry: &pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: in.Name}}}})
		if err != nil {
			return err
		}
		if in.Person, err = g.personOf(ctx, answer.Record); err != nil {
			return err
		}
	}
	rights, err := access.RightsOf(ctx, g.replica.Store)
	if err != nil {
		return err
	}
	if lacking := slices.DeleteFunc(slices.Clone(in.Roles), func(r pb.Role) bool { return slices.Contains(rights.Roles(in.Person), r) }); len(lacking) > 0 {
		_, err := g.writes.WriteBy(ctx, entry.Actor{Ordered: in.Ordered()}, &pb.WriteRequest{RequestId: request + "-roles", Author: in.By,
			Entry: &pb.Entry{Body: &pb.Entry_RoleGranted{RoleGranted: &pb.RoleGranted{Person: in.Person, Roles: lacking}}}})
		if err != nil {
			return err
		}
	}
	drafts, err := access.Admission{Claim: claim, By: in.By, Person: in.Person, Practice: g.home.Joined.Practice, Proof: in.Ordered()}.Drafts(rights)
	if err != nil || len(drafts) == 0 {
		return err
	}
	_, err = g.replica.Store.Append(ctx, drafts...)
	return err
}

// personOf reads which person a record added.
func (g *registry) personOf(ctx context.Context, record string) (string, error) {
	p, err := payloadOf[*pb.PersonAdded](ctx, g.replica.Store, record)
	return p.GetPerson(), err
}

// payloadOf reads what a record of this server says.
func payloadOf[M proto.Message](ctx context.Context, s *store.Store, record string) (M, error) {
	var none M
	if err := s.CatchUp(ctx); err != nil {
		return none, err
	}
	r, err := s.FindRecord(record)
	if err != nil {
		return none, err
	}
	m, err := r.Payload()
	if err != nil {
		return none, err
	}
	p, ok := m.(M)
	if !ok {
		return none, fmt.Errorf("record %s is a %T", record, m)
	}
	return p, nil
}

// OrderBackup is asked at a laptop. Whoever sits at the server has its folder.
func (g *registry) OrderBackup(*pb.OrderBackupRequest, grpc.ServerStreamingServer[pb.OrderBackupResponse]) error {
	return refusal.Conflict("from_server", "", "the folder of an owner's laptop").
		Because("this is the server itself, which saves its records without an order: leave --from-server out")
}

// RevokeDevice shuts a laptop out: what it wrote up to what this server holds
// still counts, its links are cut before the answer.
func (g *registry) RevokeDevice(ctx context.Context, req *pb.RevokeDeviceRequest) (*pb.RevokeDeviceResponse, error) {
	out, err := g.revoke(ctx, req, nil)
	return out, rpc.Status(err)
}

// revoke shuts a laptop out; ordered is how an owner's laptop knew who ordered it, nil at
// the server itself.
func (g *registry) revoke(ctx context.Context, req *pb.RevokeDeviceRequest, ordered *pb.AuthorProof) (*pb.RevokeDeviceResponse, error) {
	by, err := g.owner(ctx, req.By)
	if err != nil {
		return nil, err
	}
	digits := req.Device
	if len(digits)%2 == 1 {
		digits = digits[:len(digits)-1] // half a byte does not tell laptops apart
	}
	id, err := hex.DecodeString(digits)
	if err != nil || len(id) == 0 {
		return nil, refusal.New("device", req.Device, "the first digits of a laptop's id, as `people` lists them")
	}
	if at := ordered.GetOrderedAt(); at != nil && bytes.HasPrefix(at, id) {
		// Its link would be cut before the answer, and nobody left who can order.
		return nil, refusal.Conflict("device", req.Device, "another laptop than the one on which this is ordered")
	}
	reason := req.Reason
	if reason == "" {
		reason = "shut out on the server"
	}
	before := g.links.Len()
	answer, err := g.writes.WriteBy(ctx, entry.Actor{Ordered: ordered}, &pb.WriteRequest{Author: by,
		Entry: &pb.Entry{Body: &pb.Entry_RightsRevoked{RightsRevoked: &pb.RightsRevoked{Device: id, Reason: reason}}}})
	if err != nil {
		return nil, err
	}
	if err := g.refresh(ctx); err != nil {
		return nil, err
	}
	return g.revoked(ctx, answer.Record, max(0, before-g.links.Len()))
}

// refresh makes what was written about members hold at once, and puts it into its
// second place. Where that cannot be written, it is tried again (access.Members.Watch).
func (g *registry) refresh(ctx context.Context) error {
	if err := g.members.Refresh(ctx); err != nil {
		return err
	}
	if err := g.members.Keep(ctx); err != nil {
		g.replica.Log.Warn("who was let in or shut out is not in its second place yet", "error", err)
	}
	return nil
}

// revoked tells what a revocation came to.
func (g *registry) revoked(ctx context.Context, record string, cut int) (*pb.RevokeDeviceResponse, error) {
	p, err := payloadOf[*pb.RightsRevoked](ctx, g.replica.Store, record)
	if err != nil {
		return nil, err
	}
	rights, err := access.RightsOf(ctx, g.replica.Store)
	if err != nil {
		return nil, err
	}
	out := &pb.RevokeDeviceResponse{Device: hex.EncodeToString(p.Device), Cuts: p.Cuts, LinksCut: int32(cut), Record: record}
	for _, d := range rights.Devices {
		if bytes.Equal(d.Device, p.Device) {
			out.Name = d.Name
		}
	}
	return out, nil
}

// Office lets fn invite and shut out on a data folder whose server is stopped.
func Office(ctx context.Context, cfg Config, fn func(pb.HubServiceServer) error) (err error) {
	if err := cfg.fill(); err != nil {
		return err
	}
	home, err := openPractice(cfg)
	if err != nil {
		return err
	}
	h, err := openHome(ctx, cfg, home)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.replica.Store.Close()) }()
	links := &authority.Links{}
	_, members, err := h.members(ctx, links)
	if err != nil {
		return err
	}
	root, err := home.Key(authorityFile, vault.Authority)
	if err != nil {
		return err
	}
	g, err := newRegistry(h, root, members, links)
	if err != nil {
		return err
	}
	return fn(g)
}
