package agent_test

import (
	"context"
	"crypto/ed25519"
	"io"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/agent"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/order"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// office is the office of the server, asked at a laptop.
func (l *laptop) office() pb.HubServiceClient { return pb.NewHubServiceClient(l.conn) }

// TestAnOwnerOrdersFromAfar: at the owner's laptop a code is made, a laptop joins by it over
// the network and one by files, and one is shut out, as at the server. Who ordered it, and
// where, stands in the records.
func TestAnOwnerOrdersFromAfar(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	own := c.join("owner's", "M. Alder")
	eventually(t, "connected", func() bool { return own.state() == "connected" })
	c.same(own)

	ordered, err := own.office().Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET}, Seconds: 3600})
	require.NoError(t, err)
	require.Equal(t, "J. Reed", ordered.PersonName)
	north := c.joinBy("north", ordered.Code)
	eventually(t, "the new laptop is connected", func() bool { return north.state() == "connected" })
	require.Equal(t, []string{"vet"}, c.roles("J. Reed"))

	ordered, err = own.office().Invite(t.Context(), &pb.InviteRequest{Person: "K. Low", Roles: []pb.Role{pb.Role_ROLE_CLINIC}})
	require.NoError(t, err)
	code, err := invite.ParseCode(ordered.Code)
	require.NoError(t, err)
	west := newKey(t)
	request := requestOf(t, west, code)
	answer, err := own.office().AdmitFile(t.Context(), &pb.AdmitFileRequest{Request: request})
	require.NoError(t, err)
	joined, err := invite.Accept(code, authority.Public(west), request, answer.Response, func(der []byte) (ed25519.PublicKey, error) {
		_, key, err := authority.ParseCertificate(der)
		return key, err
	})
	require.NoError(t, err)
	require.Equal(t, "K. Low", joined.PersonName)
	require.Equal(t, []string{"clinic"}, c.roles("K. Low"))

	// What cannot be done is refused as at the server, with the field.
	_, err = own.office().RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: "0", Reason: "no such laptop"})
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	_, err = own.office().RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("owner's"), Reason: "itself"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "%v", err)
	require.ErrorContains(t, err, "another laptop")

	shut, err := own.office().RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("north")[:8], Reason: "stolen from the car"})
	require.NoError(t, err)
	require.Equal(t, "north", shut.Name)
	require.Positive(t, shut.LinksCut, "its live stream was cut before the answer")
	eventually(t, "the other one has no link", func() bool { return north.state() != "connected" })
	c.same(own)
	record, err := own.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: shut.Record})
	require.NoError(t, err)
	require.Equal(t, []string{"M. Alder", "owner's", "clinic"}, []string{record.Who, record.OrderedAt, record.Device})
	require.Equal(t, pb.ProofKind_PROOF_KIND_NONE, record.Proof)
	record, err = own.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: c.grantOf("J. Reed")})
	require.NoError(t, err)
	require.Equal(t, []string{"M. Alder", "owner's"}, []string{record.Who, record.OrderedAt})

	// Without the server one line says that it is needed, and that nothing was done.
	c.stop()
	_, err = own.office().Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed"})
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.ErrorContains(t, err, "the clinic's server is needed for this, and nothing was ordered")
}

// grantOf is the record that gave a person the first role.
func (c *clinic) grantOf(name string) string {
	c.t.Helper()
	answer, err := pb.NewAuditServiceClient(c.conn).ListPeople(c.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(c.t, err)
	for _, p := range answer.People {
		if p.Name == name {
			return p.Grants[0]
		}
	}
	require.Fail(c.t, "no such person", name)
	return ""
}

// TestAnOrderAsksForThePIN of an owner who has one on the laptop. It is compared there, and
// is in no order.
func TestAnOrderAsksForThePIN(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	own := c.join("owner's", "M. Alder")
	eventually(t, "connected", func() bool { return own.state() == "connected" })
	c.same(own)
	_, err := pb.NewPinServiceClient(own.conn).SetPin(t.Context(), &pb.SetPinRequest{Person: "M. Alder", Pin: "4711"})
	require.NoError(t, err)
	ask := &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET}, By: "M. Alder"}
	_, err = own.office().Invite(t.Context(), ask)
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.ErrorContains(t, err, "pin is missing")
	ask.Pin = "1234"
	_, err = own.office().Invite(t.Context(), ask)
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	ask.Pin = "4711"
	ordered, err := own.office().Invite(t.Context(), ask)
	require.NoError(t, err)
	code, err := invite.ParseCode(ordered.Code)
	require.NoError(t, err)
	c.stop() // what was ordered outlives the server's program
	c.start(c.addr)
	north := newLaptop(t, "north")
	north.server = c.addr
	_, err = agent.Enrol(t.Context(), north.config(), code)
	require.NoError(t, err)
	record, err := pb.NewAuditServiceClient(c.conn).GetRecord(t.Context(), &pb.GetRecordRequest{Record: c.grantOf("J. Reed")})
	require.NoError(t, err)
	require.Equal(t, pb.ProofKind_PROOF_KIND_PIN, record.Proof)
	require.NotEmpty(t, record.ProvenAt)
	require.Equal(t, "owner's", record.OrderedAt)

	_, err = own.office().Invite(t.Context(), &pb.InviteRequest{Person: "K. Low", By: "J. Reed"})
	require.Error(t, err, "in another's name")
}

// ordering is one laptop's talk with the server, as who holds its key can have it.
type ordering struct {
	t        *testing.T
	key      ed25519.PrivateKey
	founding []byte
	owner    string
	pb.OrderServiceClient
}

// ordersOf takes the key of a laptop, which goes on running.
func (c *clinic) ordersOf(l *laptop) *ordering {
	c.t.Helper()
	h := l.home()
	return &ordering{t: c.t, key: h.Device, founding: h.Joined.Founding, owner: h.Joined.Person, OrderServiceClient: pb.NewOrderServiceClient(c.link(h.Device))}
}

// sign makes an order to a fresh challenge; spoil changes it before it is signed.
func (o *ordering) sign(spoil func(*pb.OwnerOrder)) *pb.OrderRequest {
	o.t.Helper()
	asked, err := o.Challenge(o.t.Context(), &pb.ChallengeRequest{})
	require.NoError(o.t, err)
	what := &pb.OwnerOrder{
		Founding: o.founding, Challenge: asked.Challenge, Person: o.owner, Proof: &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE},
		Action: &pb.OwnerOrder_Invite{Invite: &pb.InviteRequest{Person: "Thief", Roles: []pb.Role{pb.Role_ROLE_OWNER}}},
	}
	if spoil != nil {
		spoil(what)
	}
	req, err := order.Sign(o.key, what)
	require.NoError(o.t, err)
	return req
}

// TestOnlyAnOwnersLaptopOrders: a vet's laptop, whatever its program claims, one of which
// the owner lost the role, and one that was shut out.
func TestOnlyAnOwnersLaptopOrders(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	own, vets := c.join("owner's", "M. Alder"), c.join("vet's", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	eventually(t, "both are connected", func() bool { return own.state() == "connected" && vets.state() == "connected" })
	c.same(own)
	c.same(vets)
	_, err := vets.office().Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_OWNER}})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	require.ErrorContains(t, err, "an owner's own laptop")
	_, err = vets.office().RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("owner's"), By: "M. Alder"})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "in the owner's name")

	// The vet's own program, which asks nobody: no challenge; and none that was asked of
	// the owner's laptop serves it.
	vet, owner := c.ordersOf(vets), c.ordersOf(own)
	_, err = vet.Challenge(t.Context(), &pb.ChallengeRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	stolen := owner.sign(func(o *pb.OwnerOrder) { o.Proof = &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: 1} })
	_, err = vet.Order(t.Context(), stolen)
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = owner.Order(t.Context(), owner.sign(func(o *pb.OwnerOrder) { o.Person = vet.owner }))
	require.Equal(t, codes.PermissionDenied, status.Code(err), "of the owner's laptop, in the vet's name")

	// Nobody else comes near it.
	stranger := pb.NewOrderServiceClient(c.over(authority.Enrolment(authority.Joining{Fits: func(ed25519.PublicKey) bool { return true }, Shown: func(_, _ ed25519.PublicKey) {}})))
	_, err = stranger.Challenge(t.Context(), &pb.ChallengeRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = pb.NewOrderServiceClient(c.conn).Challenge(t.Context(), &pb.ChallengeRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "whoever sits at the server has the office")
	_, err = pb.NewHubServiceClient(c.link(owner.key)).Invite(t.Context(), &pb.InviteRequest{Person: "Thief"})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "nor does an owner's laptop reach the office itself")

	// A second owner, whose role ends while an order is on its way.
	second := c.join("second's", "K. Low", pb.Role_ROLE_OWNER)
	eventually(t, "connected", func() bool { return second.state() == "connected" })
	ends := c.ordersOf(second)
	_, err = ends.Order(t.Context(), ends.sign(func(o *pb.OwnerOrder) { o.Person = owner.owner }))
	require.Equal(t, codes.PermissionDenied, status.Code(err), "of one owner's laptop, in the other owner's name")
	late := ends.sign(nil)
	_, err = pb.NewRecordServiceClient(c.conn).EndPerson(t.Context(), &pb.EndPersonRequest{Person: "K. Low", Reason: "left", KeepLaptops: true, Author: "M. Alder"})
	require.NoError(t, err)
	_, err = ends.Order(t.Context(), late)
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// The owner's laptop is stolen and shut out, with an order in hand.
	late = owner.sign(nil)
	_, err = c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("owner's"), Reason: "stolen"})
	require.NoError(t, err)
	_, err = owner.Order(t.Context(), late)
	require.Error(t, err)
	_, err = owner.Challenge(t.Context(), &pb.ChallengeRequest{})
	require.Error(t, err)
	_, err = own.office().Invite(t.Context(), &pb.InviteRequest{Person: "Thief"})
	require.Error(t, err)
	require.Nil(t, c.roles("Thief"))
	require.NotContains(t, c.log.text(), "order was carried out")
}

// TestOrdersThatWereChangedOrSeen: an order counts once, on its link, as it was signed, at
// this practice's server; a flood of them is slowed.
func TestOrdersThatWereChangedOrSeen(t *testing.T) {
	t.Parallel()
	c, other := newClinic(t), newClinic(t)
	own, foreign := c.join("owner's", "M. Alder"), other.join("foreign", "M. Alder")
	second := c.join("second's", "K. Low", pb.Role_ROLE_OWNER)
	o := c.ordersOf(own)
	denied := func(why string, req *pb.OrderRequest, by *ordering) {
		t.Helper()
		_, err := by.Order(t.Context(), req)
		require.Equal(t, codes.PermissionDenied, status.Code(err), "%s: %v", why, err)
	}

	good := o.sign(nil)
	_, err := o.Order(t.Context(), good)
	require.NoError(t, err)
	denied("a second time", good, o)

	changed := o.sign(nil)
	changed.Order[len(changed.Order)-1] ^= 1
	denied("one byte changed", changed, o)

	twin := *o
	twin.OrderServiceClient = pb.NewOrderServiceClient(c.link(o.key))
	denied("over another link of the same laptop", o.sign(nil), &twin)

	denied("another laptop's signature", c.ordersOf(second).sign(nil), o)
	denied("for another practice", o.sign(func(w *pb.OwnerOrder) { w.Founding = other.ordersOf(foreign).founding }), o)
	_, err = pb.NewOrderServiceClient(c.link(foreign.home().Device)).Challenge(t.Context(), &pb.ChallengeRequest{})
	require.Error(t, err, "of another practice's owner")

	// An order that a newer program would understand is not done in part; and one without end.
	for _, spoil := range []*pb.OrderRequest{{}, {Order: make([]byte, order.MaxBytes+1), Signature: make([]byte, 64)}, {Order: []byte{1}, Signature: ed25519.Sign(o.key, []byte{1})}} {
		_, err = o.Order(t.Context(), spoil)
		require.Contains(t, []codes.Code{codes.InvalidArgument, codes.PermissionDenied}, status.Code(err))
	}
	newer := o.sign(func(w *pb.OwnerOrder) { w.ProtoReflect().SetUnknown([]byte{0x98, 0x06, 0x01}) })
	_, err = o.Order(t.Context(), newer)
	require.Equal(t, codes.FailedPrecondition, status.Code(err))

	answers := map[codes.Code]int{}
	for range 60 {
		_, err := o.Challenge(t.Context(), &pb.ChallengeRequest{})
		answers[status.Code(err)]++
	}
	require.Greater(t, answers[codes.ResourceExhausted], 40, "%v", answers)
	require.Equal(t, 60, answers[codes.ResourceExhausted]+answers[codes.OK], "%v", answers)
	_, err = c.ordersOf(second).Challenge(t.Context(), &pb.ChallengeRequest{})
	require.NoError(t, err, "another owner's laptop waits for nobody")
	_, err = c.hub.Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.NoError(t, err, "nor does the office")
}

// TestALaptopsFolderIsNoServers: what a server does with its folder is not done with a
// laptop's, and leaves nothing in it.
func TestALaptopsFolderIsNoServers(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	own := c.join("owner's", "M. Alder")
	own.stop()
	before, err := os.ReadDir(own.dir)
	require.NoError(t, err)
	cfg := server.Config{Data: own.dir, Secret: secret(t), Listen: "127.0.0.1:0"}
	err = server.Office(t.Context(), cfg, func(pb.HubServiceServer) error { return nil })
	require.ErrorContains(t, err, "a laptop's folder")
	require.ErrorContains(t, server.Run(t.Context(), cfg), "a laptop's folder")
	after, err := os.ReadDir(own.dir)
	require.NoError(t, err)
	require.Equal(t, len(before), len(after), "%v", after)
}

// TestAnOwnersPageLetsALaptopIn: the form of the server's pages works on the owner's
// laptop, which orders the code; a vet's laptop says where laptops are let in.
func TestAnOwnersPageLetsALaptopIn(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	pages := func(l *laptop, person string, roles ...pb.Role) (*http.Client, string) {
		l.server = c.addr
		_, err := agent.Enrol(t.Context(), l.config(), c.invite(person, roles...))
		require.NoError(t, err)
		entrance := make(chan string, 1)
		_, l.stop = run(t, func(ctx context.Context, ready func(string)) error {
			cfg := l.config()
			cfg.Pages, cfg.Ready, cfg.PagesReady = "127.0.0.1:0", ready, func(u string) { entrance <- u }
			return agent.Run(ctx, cfg)
		})
		l.conn = dial(t, l.dir)
		c.same(l)
		return browse(t, <-entrance)
	}
	vet := newLaptop(t, "vet's")
	b, origin := pages(vet, "J. Reed", pb.Role_ROLE_VET)
	_, body := page(t, b, origin+"/owner/invite")
	require.Contains(t, body, "own laptop")
	require.NotContains(t, body, "invite-role")

	own := newLaptop(t, "owner's")
	b, origin = pages(own, "M. Alder")
	send := func(fields url.Values) (int, string) {
		_, form := page(t, b, origin+"/owner/invite")
		token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(form)
		require.NotNil(t, token, form)
		fields.Set("token", token[1])
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, origin+"/owner/invite", strings.NewReader(fields.Encode()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", origin)
		r, err := b.Do(req)
		require.NoError(t, err)
		defer r.Body.Close()
		raw, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		return r.StatusCode, string(raw)
	}
	enrols := regexp.MustCompile(`thawtrail agent enrol (\S+) --server`)
	status, body := send(url.Values{"person": {"N. Ewcomer"}})
	require.Equal(t, http.StatusUnprocessableEntity, status, "the server's refusal: a new person needs a role")
	require.Contains(t, body, "a role for a new person")
	status, body = send(url.Values{"person": {"N. Ewcomer"}, "role": {"ROLE_VET"}})
	require.Equal(t, http.StatusOK, status)
	require.Regexp(t, enrols, body)

	_, err := pb.NewPinServiceClient(own.conn).SetPin(t.Context(), &pb.SetPinRequest{Person: "M. Alder", Pin: "4711"})
	require.NoError(t, err)
	status, body = send(url.Values{"person": {"J. Reed"}, "pin": {"0000"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "nothing was ordered")
	status, body = send(url.Values{"person": {"J. Reed"}, "pin": {"4711"}})
	require.Equal(t, http.StatusOK, status)
	require.Regexp(t, enrols, body)

	c.stop()
	status, body = send(url.Values{"person": {"J. Reed"}, "pin": {"4711"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "server is needed for this")
}
