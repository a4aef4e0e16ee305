package agent_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/agent"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestLaptopsJoinAndExchange begins a practice, lets two laptops join and sends
// an entry of the one to the other through the server.
func TestLaptopsJoinAndExchange(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	south := c.join("south", "M. Alder")
	eventually(t, "both are connected", func() bool { return north.state() == "connected" && south.state() == "connected" })
	c.same(north)
	made, err := north.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: place("north freezer").Entry})
	require.NoError(t, err)
	eventually(t, "the entry reaches the other laptop", func() bool {
		_, err := south.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: made.Record})
		return err == nil
	})
	c.same(south)

	people, err := south.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	require.Len(t, people.People, 2, "the owner was known, J. Reed is new")
	require.Len(t, people.Devices, 3)
	for _, d := range people.Devices {
		require.False(t, d.ShutOut, d.Name)
	}

	// The server is started again at the same address: nobody joins again.
	c.stop()
	c.start(c.addr)
	eventually(t, "north is connected again", func() bool { return north.state() == "connected" })
	c.same(north)
}

func TestACodeServesOneLaptop(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	code := c.invite("J. Reed", pb.Role_ROLE_VET)
	first, second := newLaptop(t, "first"), newLaptop(t, "second")
	first.server, second.server = c.addr, c.addr
	_, err := agent.Enrol(t.Context(), first.config(), code)
	require.NoError(t, err)
	_, err = agent.Enrol(t.Context(), second.config(), code)
	require.ErrorContains(t, err, "has been used by another laptop")
	_, err = agent.Enrol(t.Context(), first.config(), code)
	require.ErrorContains(t, err, "belongs to Alder Creek Equine")
}

func TestACodeIsNotTakenByAnotherPractice(t *testing.T) {
	t.Parallel()
	c, other := newClinic(t), newClinic(t)
	l := newLaptop(t, "north")
	l.server = other.addr
	_, err := agent.Enrol(t.Context(), l.config(), c.invite("J. Reed", pb.Role_ROLE_VET))
	require.ErrorContains(t, err, "another practice")
	require.NotContains(t, other.log.text(), "joined")
}

// TestALaptopThatWasAlone worked as a practice of one and then joins.
func TestALaptopThatWasAlone(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := newLaptop(t, "north")
	l.start()
	write := func(e *pb.Entry) string {
		t.Helper()
		answer, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: e})
		require.NoError(t, err)
		return answer.Record
	}
	write(&pb.Entry{Body: &pb.Entry_PracticeFounded{PracticeFounded: &pb.PracticeFounded{Name: "Reed", Zone: "Europe/Paris", Currency: "EUR", OwnerName: "J. Reed"}}})
	card := write(&pb.Entry{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}})
	l.stop()

	l.server = c.addr
	_, err := agent.Enrol(t.Context(), l.config(), c.invite("R. Vet", pb.Role_ROLE_VET))
	require.NoError(t, err)
	l.start()
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
	for _, who := range []*laptop{l, {t: t, audit: pb.NewAuditServiceClient(c.conn)}} {
		r, err := who.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: card})
		require.NoError(t, err)
		found, err := who.audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Kind: "not_entitled"})
		require.NoError(t, err)
		require.Empty(t, found.Discrepancies, "%v", r)
	}
	products, err := pb.NewStockServiceClient(c.conn).ListProducts(t.Context(), &pb.ListProductsRequest{})
	require.NoError(t, err)
	require.Len(t, products.Products, 1, "what was decided alone counts in the practice too")

	// Its own founding gives nobody rights here.
	people, err := l.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	for _, p := range people.People {
		if p.Name == "J. Reed" {
			require.Empty(t, p.Roles)
		}
	}
}

// TestJoiningByFile carries request and answer on a stick.
func TestJoiningByFile(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := newLaptop(t, "north")
	dir := t.TempDir()
	ask, answer := filepath.Join(dir, "request"), filepath.Join(dir, "answer")
	_, err := agent.AnswerFile(t.Context(), l.config(), ask)
	require.Error(t, err)
	require.NoError(t, agent.RequestFile(t.Context(), l.config(), c.invite("J. Reed", pb.Role_ROLE_VET), ask))
	raw, err := wholefile.Read(ask, 1<<20)
	require.NoError(t, err)
	req := &pb.EnrolRequest{}
	require.NoError(t, proto.Unmarshal(raw, req))
	admitted, err := c.hub.AdmitFile(t.Context(), &pb.AdmitFileRequest{Request: req})
	require.NoError(t, err)
	out, err := proto.Marshal(admitted.Response)
	require.NoError(t, err)

	forged := proto.CloneOf(admitted.Response)
	forged.Answer = append(forged.Answer, forged.Answer...)
	bad, err := proto.Marshal(forged)
	require.NoError(t, err)
	require.NoError(t, wholefile.Write(answer, bad))
	_, err = agent.AnswerFile(t.Context(), l.config(), answer)
	require.Error(t, err)

	require.NoError(t, wholefile.Write(answer, out))
	got, err := agent.AnswerFile(t.Context(), l.config(), answer)
	require.NoError(t, err)
	require.Equal(t, "J. Reed", got.Person)
	l.server = c.addr
	l.start()
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
}

// TestALaptopThatHasNotJoined says what to do.
func TestALaptopThatHasNotJoined(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := newLaptop(t, "north")
	l.server = c.addr
	l.start()
	eventually(t, "it is told", func() bool { return strings.Contains(l.state(), "agent enrol CODE") })
	require.Zero(t, strings.Count(c.log.text(), "joined"))
}

func TestWhoMayInvite(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	c.join("north", "J. Reed", pb.Role_ROLE_VET)
	_, err := c.hub.Invite(t.Context(), &pb.InviteRequest{Person: "X", Roles: []pb.Role{pb.Role_ROLE_OWNER}, By: "J. Reed"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = c.hub.Invite(t.Context(), &pb.InviteRequest{Person: "X"})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	_, err = c.hub.Invite(t.Context(), &pb.InviteRequest{Person: "X", Roles: []pb.Role{99}})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	out, err := c.hub.Invite(t.Context(), &pb.InviteRequest{Person: "X", Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.NoError(t, err)
	require.Regexp(t, `\+1[01]:00$`, out.ExpiresAt, "in the practice's zone, Australia/Sydney")
}
