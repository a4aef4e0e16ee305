package agent_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replication"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/invite"
	pb "thawtrail/proto/thawtrail/v1"
)

// home opens the folder of a stopped laptop, as its thief with the passphrase
// could.
func (l *laptop) home() *trust.Home {
	l.t.Helper()
	h, err := trust.Open(l.dir, secret(l.t), rand.Reader)
	require.NoError(l.t, err)
	return h
}

// forge writes records in a stopped laptop's store behind the program's back, and
// gives all of its logs as runs.
func (l *laptop) forge(drafts ...store.Draft) (runs []*pb.Run) {
	l.t.Helper()
	s, err := store.Open(l.t.Context(), l.home().Store(store.Options{Clock: clock.System{}, DeviceName: l.name}))
	require.NoError(l.t, err)
	defer func() { require.NoError(l.t, s.Close()) }()
	if len(drafts) > 0 {
		_, err = s.Append(l.t.Context(), drafts...)
		require.NoError(l.t, err)
	}
	for _, info := range s.Logs() {
		if info.Key.Equal(s.PublicKey()) {
			run, _, err := s.ReadRun(l.t.Context(), info.ID, 0, exchange.MaxBatchBytes)
			require.NoError(l.t, err)
			runs = append(runs, run)
		}
	}
	return runs
}

// link is a link to the clinic with a device's key.
func (c *clinic) link(device ed25519.PrivateKey) *grpc.ClientConn {
	c.t.Helper()
	home, err := trust.Open(c.dir, secret(c.t), rand.Reader)
	require.NoError(c.t, err)
	root, err := home.Joined.Root()
	require.NoError(c.t, err)
	creds, err := authority.Practice(device, root)
	require.NoError(c.t, err)
	return c.over(creds)
}

func (c *clinic) over(creds credentials.TransportCredentials) *grpc.ClientConn {
	conn, err := rpc.Dial("passthrough:///"+c.addr, creds)
	require.NoError(c.t, err)
	c.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// push hands runs over as a device of the practice.
func (c *clinic) push(by ed25519.PrivateKey, runs ...*pb.Run) (*pb.PushResponse, error) {
	return pb.NewExchangeServiceClient(c.link(by)).Push(c.t.Context(), &pb.PushRequest{Device: event.DeviceID(authority.Public(by)), Runs: runs})
}

// places are the names of all places in the clinic's books.
func (c *clinic) places() (names []string) {
	c.t.Helper()
	answer, err := pb.NewStockServiceClient(c.conn).ListPlaces(c.t.Context(), &pb.ListPlacesRequest{})
	require.NoError(c.t, err)
	for _, p := range answer.Places {
		names = append(names, p.Name)
	}
	return names
}

// roles are the roles of a person in the clinic's books.
func (c *clinic) roles(name string) []string {
	c.t.Helper()
	answer, err := pb.NewAuditServiceClient(c.conn).ListPeople(c.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(c.t, err)
	for _, p := range answer.People {
		if p.Name == name {
			return p.Roles
		}
	}
	return nil
}

func (c *clinic) deviceOf(name string) string {
	c.t.Helper()
	answer, err := pb.NewAuditServiceClient(c.conn).ListPeople(c.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(c.t, err)
	for _, d := range answer.Devices {
		if d.Name == name {
			return d.Device
		}
	}
	require.Fail(c.t, "no such laptop", name)
	return ""
}

func hello(t *testing.T, conn *grpc.ClientConn, as ed25519.PrivateKey) error {
	t.Helper()
	b := exchange.Beliefs{Protocol: exchange.Protocol, Key: authority.Public(as), Name: "x"}
	copy(b.Device[:], event.DeviceID(authority.Public(as)))
	_, err := pb.NewExchangeServiceClient(conn).Hello(t.Context(), &pb.HelloRequest{Beliefs: b.PB()})
	return err
}

// epoch is the server's own, as its hello says.
func (c *clinic) epoch(as ed25519.PrivateKey) []byte {
	c.t.Helper()
	b := exchange.Beliefs{Protocol: exchange.Protocol, Key: authority.Public(as), Name: "x"}
	copy(b.Device[:], event.DeviceID(authority.Public(as)))
	answer, err := pb.NewExchangeServiceClient(c.link(as)).Hello(c.t.Context(), &pb.HelloRequest{Beliefs: b.PB()})
	require.NoError(c.t, err)
	return answer.Beliefs.HubEpoch
}

func newKey(t *testing.T) ed25519.PrivateKey {
	t.Helper()
	key, err := authority.NewKey(rand.Reader)
	require.NoError(t, err)
	return key
}

func TestStrangersAreKeptOut(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	stranger := newKey(t)
	require.Error(t, hello(t, c.link(stranger), stranger), "a key that nobody admitted")
	require.Error(t, hello(t, c.over(insecure.NewCredentials()), stranger), "plain text")
	old := credentials.NewTLS(&tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12, MaxVersion: tls.VersionTLS12, ServerName: "practice.thawtrail.invalid"})
	require.Error(t, hello(t, c.over(old), stranger), "TLS 1.2")

	enrol := c.over(authority.Enrolment(authority.Joining{Fits: func(ed25519.PublicKey) bool { return true }, Shown: func(_, _ ed25519.PublicKey) {}}))
	require.Equal(t, codes.PermissionDenied, status.Code(hello(t, enrol, stranger)), "the way for joining opens nothing else")
	_, err := pb.NewHubServiceClient(enrol).Invite(t.Context(), &pb.InviteRequest{Person: "M. Alder"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = pb.NewAuditServiceClient(enrol).ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
}

// TestALaptopSpeaksForItselfAlone: an admitted laptop may exchange records as
// itself and do nothing else on the server.
func TestALaptopSpeaksForItselfAlone(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north, south := c.join("north", "J. Reed", pb.Role_ROLE_ASSISTANT), c.join("south", "M. Alder")
	own, other := north.home().Device, south.home().Device
	conn := c.link(own)
	require.NoError(t, hello(t, conn, own))
	require.Equal(t, codes.PermissionDenied, status.Code(hello(t, conn, other)), "another laptop's name")
	x := pb.NewExchangeServiceClient(conn)
	_, err := x.Push(t.Context(), &pb.PushRequest{Device: event.DeviceID(authority.Public(other))})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	stream, err := x.Pull(t.Context(), &pb.PullRequest{Device: event.DeviceID(authority.Public(other))})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// Entries on the server would be vouched for by the server, in anybody's name.
	_, err = pb.NewRecordServiceClient(conn).Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: place("forged").Entry})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = pb.NewHubServiceClient(conn).Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_OWNER}})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
}

// TestAStolenLaptop is shut out while it is connected, and then tries on.
func TestAStolenLaptop(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	stolen, south := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC), c.join("south", "M. Alder")
	eventually(t, "connected", func() bool { return stolen.state() == "connected" && south.state() == "connected" })
	_, err := stolen.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: place("before").Entry})
	require.NoError(t, err)
	c.same(stolen)
	require.Contains(t, c.places(), "before")

	answer, err := c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("north")[:8], Reason: "stolen from the car"})
	require.NoError(t, err)
	require.Equal(t, "north", answer.Name)
	require.Positive(t, answer.LinksCut, "its live stream was cut before the answer")
	eventually(t, "the thief sees no link", func() bool { return stolen.state() != "connected" })
	require.Error(t, hello(t, c.link(stolen.home().Device), stolen.home().Device))
	eventually(t, "the other laptop stays connected", func() bool { return south.state() == "connected" })

	// A record dated before the theft, carried in by another way.
	stolen.stop()
	south.stop()
	runs := stolen.forge(store.Draft{
		Type: event.Type(11), Payload: &pb.PlaceAdded{Place: "X", Name: "back-dated", Kind: pb.PlaceKind_PLACE_KIND_FREEZER},
		OccurredAt: &pb.Moment{UnixMs: 1_600_000_000_000},
	})
	_, err = c.push(south.home().Device, runs...)
	require.NoError(t, err, "it is kept")
	require.NotContains(t, c.places(), "back-dated", "and stays out of the books")
	require.Contains(t, c.places(), "before", "what was accepted before still counts")

	// A shut-out laptop does not come back by a new code.
	_, err = c.hub.AdmitFile(t.Context(), &pb.AdmitFileRequest{Request: requestOf(t, stolen.home().Device, c.invite("J. Reed"))})
	require.ErrorContains(t, err, "not shut out")
}

func requestOf(t *testing.T, device ed25519.PrivateKey, code invite.Code) *pb.EnrolRequest {
	t.Helper()
	req, err := invite.Request(code.Key(), device, &pb.EnrolClaim{DeviceName: "x"}, rand.Reader)
	require.NoError(t, err)
	return req
}

// TestForgedRightsGiveNone: an admitted assistant's laptop writes itself every
// right, and a founding older than the practice's.
func TestForgedRightsGiveNone(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_ASSISTANT)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
	people, err := l.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	ids := map[string]string{}
	for _, p := range people.People {
		ids[p.Name] = p.Person
	}
	l.stop()
	before := c.places()
	founding := l.home().Joined.Founding
	forged := newKey(t)
	runs := l.forge(
		store.Draft{Type: event.TypeRoleGranted, Author: ids["J. Reed"], Grant: founding, Payload: &pb.RoleGranted{Person: ids["J. Reed"], Roles: []pb.Role{pb.Role_ROLE_OWNER}}},
		store.Draft{Type: event.TypePracticeFounded, Author: ids["J. Reed"], Payload: &pb.PracticeFounded{
			Practice: "Z", Name: "Taken over", Zone: "Etc/UTC", Currency: "AUD", Owner: ids["J. Reed"], OwnerName: "J. Reed"}},
		store.Draft{Type: event.TypeDeviceAdded, Author: ids["J. Reed"], Payload: &pb.DeviceAdded{Device: event.DeviceID(authority.Public(forged)), PublicKey: authority.Public(forged), Name: "forged"}},
		store.Draft{Type: event.TypeRightsRevoked, Author: ids["J. Reed"], Grant: founding, Payload: &pb.RightsRevoked{Grant: event.Hash(founding).String(), Reason: "mine now"}},
	)
	_, err = c.push(l.home().Device, runs...)
	require.NoError(t, err)
	require.Equal(t, before, c.places())
	require.Equal(t, []string{"assistant"}, c.roles("J. Reed"))
	require.Contains(t, c.roles("M. Alder"), "owner")
	require.Error(t, hello(t, c.link(forged), forged))
	seen, err := pb.NewAuditServiceClient(c.conn).ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true, Kind: "not_entitled"})
	require.NoError(t, err)
	require.NotEmpty(t, seen.Discrepancies, "the owner sees it")
}

// TestNobodySpeaksForTheServer: a member's laptop writes statements of the server
// itself. They would say that records are held which are not, and that every
// clock is wrong.
func TestNobodySpeaksForTheServer(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	liar, south := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_OWNER), c.join("south", "M. Alder")
	eventually(t, "connected", func() bool { return south.state() == "connected" })
	c.same(south)
	liar.stop()
	south.stop()
	log := south.forge()[0].Log
	epoch := c.epoch(liar.home().Device)
	forged := liar.forge(store.Draft{Type: event.TypeHubStatement, Payload: &pb.HubStatement{
		HubEpoch: epoch, Number: 1_000_000, WallUs: 4_000_000_000_000_000,
		Accepted: []*pb.AcceptedTip{{Tip: &pb.Tip{Log: log, Seq: 1_000_000, Hash: make([]byte, 32)}}},
	}})
	_, err := c.push(liar.home().Device, forged...)
	require.NoError(t, err)
	south.start()
	c.same(south)
	made, err := south.record.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: place("south freezer").Entry})
	require.NoError(t, err)
	eventually(t, "the server itself states it", func() bool {
		answer, err := south.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: made.Record})
		require.NoError(t, err)
		return answer.Saved == pb.SavedState_SAVED_STATE_HELD_ON_SERVER
	})
	seen, err := south.audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	var kinds []string
	for _, d := range seen.Discrepancies {
		kinds = append(kinds, d.Kind)
	}
	require.Equal(t, []string{ledger.NotEntitled}, kinds, "the owner sees who tried, and no clock is in doubt")
	south.stop()
	for _, run := range south.forge() {
		for _, wire := range run.Records {
			r, err := event.Decode(wire)
			require.NoError(t, err)
			require.Less(t, r.Head.HubUs, int64(4_000_000_000_000_000), "its time is nobody's evidence")
		}
	}
}

// TestRecordsOfOthersAreNotChanged: bytes of another device's log, altered or
// signed anew, are refused.
func TestRecordsOfOthersAreNotChanged(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north, south := c.join("north", "J. Reed", pb.Role_ROLE_VET), c.join("south", "M. Alder")
	north.stop()
	south.stop()
	for i, run := range south.forge() {
		changed := proto.CloneOf(run)
		r := &pb.Record{}
		last := len(changed.Records) - 1
		require.NoError(t, proto.Unmarshal(changed.Records[last], r))
		r.Payload = append(bytes.Clone(r.Payload), 0x7a, 1, 'x')
		raw, err := proto.Marshal(r)
		require.NoError(t, err)
		changed.Records[last] = raw
		resp, err := c.push(north.home().Device, changed)
		require.NoError(t, err)
		require.NotEmpty(t, resp.Refused, "run %d: a payload that its header does not name", i)

		// The next record of the other laptop's log, signed by this one.
		tip, err := event.Decode(run.Records[last])
		require.NoError(t, err)
		next, err := event.Seal(&pb.Header{
			Log: run.Log, Seq: tip.Seq() + 1, Prev: tip.Hash[:], HlcUs: tip.Head.HlcUs + 1, WallUs: tip.Head.WallUs, Device: tip.Head.Device, Type: 33,
		}, nil, func(m []byte) []byte { return ed25519.Sign(north.home().Device, m) })
		require.NoError(t, err)
		_, err = c.push(north.home().Device, run)
		require.NoError(t, err, "its own records may come by anybody")
		resp, err = c.push(north.home().Device, &pb.Run{Log: run.Log, From: next.Seq(), Records: [][]byte{next.Wire()}})
		require.NoError(t, err)
		require.NotEmpty(t, resp.Refused, "run %d: signed by another key", i)
		for _, held := range resp.Accepted {
			require.LessOrEqual(t, held.Seq, tip.Seq())
		}
	}
}

// TestTheTablesNameRealTests: every test that the threat model names is there.
func TestTheTablesNameRealTests(t *testing.T) {
	text, err := os.ReadFile("../internal/trust/THREATS.md")
	require.NoError(t, err)
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	require.NoError(t, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		raw, err := os.ReadFile(path)
		for _, m := range declared.FindAllSubmatch(raw, -1) {
			there[string(m[1])] = true
		}
		return err
	}))
	named := regexp.MustCompile("`(Test[A-Z]\\w+)`").FindAllSubmatch(text, -1)
	require.Greater(t, len(named), 30)
	for _, m := range named {
		require.True(t, there[string(m[1])], "%s", m[1])
	}
}

// TestRecordsOfAnotherPractice are kept and count for nothing.
func TestRecordsOfAnotherPractice(t *testing.T) {
	t.Parallel()
	c, other := newClinic(t), newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	foreign := other.join("foreign", "M. Alder")
	l.stop()
	foreign.stop()
	runs := foreign.forge(store.Draft{Type: event.Type(11), Payload: &pb.PlaceAdded{Place: "X", Name: "not ours", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}})
	_, err := c.push(l.home().Device, runs...)
	require.NoError(t, err)
	require.NotContains(t, c.places(), "not ours")
	require.Error(t, hello(t, c.link(foreign.home().Device), foreign.home().Device))
}

// TestGuessedAndReplayedCodes tries codes as an attacker can. The server's clock
// stands, so that a slow machine gives the guesser no tries back. The server ends
// a stranger's link after a minute; then the next guess comes over a new one.
func TestGuessedAndReplayedCodes(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	c.stop()
	c.time = clock.NewManual(time.Now())
	c.start(c.addr)
	code := c.invite("J. Reed", pb.Role_ROLE_OWNER)
	conn := c.over(authority.Enrolment(authority.Joining{Print: code.Print(), Fits: code.Fits, Shown: func(_, _ ed25519.PublicKey) {}}))
	e := pb.NewEnrolServiceClient(conn)
	_, err := e.Enrol(t.Context(), requestOf(t, newKey(t), code))
	require.ErrorContains(t, err, "made for another link", "a request that was seen elsewhere")

	home, err := trust.Open(c.dir, secret(t), rand.Reader)
	require.NoError(t, err)
	own, err := home.Key("server.key", "server tls key")
	require.NoError(t, err)
	answers := map[codes.Code]int{}
	for i := range 100 {
		guess := bytes.Repeat([]byte{byte(i)}, 32) // what a guessed code comes to
		req, err := invite.Request(guess, newKey(t), &pb.EnrolClaim{DeviceName: "x", Channel: authority.Public(own)}, rand.Reader)
		require.NoError(t, err)
		for _, err = e.Enrol(t.Context(), req); status.Code(err) == codes.Unavailable; {
			_, err = e.Enrol(t.Context(), req, grpc.WaitForReady(true))
		}
		answers[status.Code(err)]++
	}
	require.Equal(t, map[codes.Code]int{codes.PermissionDenied: 10, codes.ResourceExhausted: 90}, answers)
	require.NotContains(t, c.log.text(), "joined")
}

// TestTooMuchAndTooSlow: large messages are refused, and links that begin and
// never end keep nobody out.
func TestTooMuchAndTooSlow(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	device := l.home().Device
	x := pb.NewExchangeServiceClient(c.link(device))
	_, err := x.Push(t.Context(), &pb.PushRequest{Device: event.DeviceID(authority.Public(device)), Runs: []*pb.Run{{Log: make([]byte, 5<<20)}}})
	require.Equal(t, codes.ResourceExhausted, status.Code(err))
	_, err = x.Push(t.Context(), &pb.PushRequest{Device: event.DeviceID(authority.Public(device)), Runs: make([]*pb.Run, 65)})
	require.Error(t, err)

	for range 200 { // from another address of this machine than the laptop's
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
		conn, err := d.DialContext(t.Context(), "tcp", c.addr)
		if err != nil {
			conn, err = net.Dial("tcp", c.addr) // systems with one loopback address
		}
		if err != nil {
			break
		}
		t.Cleanup(func() { _ = conn.Close() })
		_, _ = conn.Write([]byte{0x16}) // the first byte of a handshake
	}
	require.NoError(t, hello(t, c.link(device), device))
}

// TestNothingReadableAtRest greps every file of a server and a laptop.
func TestNothingReadableAtRest(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "Jacaranda Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
	for _, e := range []*pb.Entry{
		place("Wombat Freezer").Entry,
		{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "Persimmon Hollis"}, Telephone: &pb.Sealed{Plain: "0491570156"}}}},
		{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{
			Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Sex: pb.Sex_SEX_FILLY, Colour: "bay", ClockChecked: true}}},
	} {
		_, err := l.record.Write(t.Context(), &pb.WriteRequest{Author: "Jacaranda Reed", Entry: e})
		require.NoError(t, err)
	}
	open := c.invite("Numbat Vet", pb.Role_ROLE_VET)
	c.same(l)
	l.stop()
	c.stop()
	secrets := []string{"Jacaranda", "Wombat", "Persimmon", "0491570156", "Quiet Harbour", "Numbat", "Alder Creek", "abbey acorn", open.Text()[:14]}
	for _, dir := range []string{l.dir, c.dir} {
		h, err := trust.Open(dir, secret(t), rand.Reader)
		require.NoError(t, err)
		secrets = append(secrets, string(h.Device.Seed()), string(h.Vault.Key("journal")), string(h.Vault.Key("index")), string(h.Joined.Founding))
	}
	home, err := trust.Open(c.dir, secret(t), rand.Reader)
	require.NoError(t, err)
	root, err := home.Key("authority.key", "authority key")
	require.NoError(t, err)
	secrets = append(secrets, string(root.Seed()), string(open.Key()))
	files := 0
	for _, dir := range []string{l.dir, c.dir} {
		require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			files++
			raw, err := os.ReadFile(path)
			for _, s := range secrets {
				require.False(t, bytes.Contains(raw, []byte(s)), "%q in %s", s, path)
				require.False(t, strings.Contains(path, s))
			}
			info, _ := d.Info()
			require.Zero(t, info.Mode().Perm()&0o077&^0o044, "%s can be written by others", path)
			return err
		}))
	}
	require.Greater(t, files, 10)
}

// TestOtherUsersOfTheMachine reach neither the agent nor the server's office.
func TestOtherUsersOfTheMachine(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	local := c.over(authority.Local(serverKey(t, c)))
	_, err := pb.NewHubServiceClient(local).Invite(ctx, &pb.InviteRequest{Person: "M. Alder"})
	require.Equal(t, codes.Unauthenticated, status.Code(err))

	l := newLaptop(t, "north")
	addr, _ := run(t, l.main)
	conn, err := rpc.Dial("passthrough:///"+addr, insecure.NewCredentials())
	require.NoError(t, err)
	defer conn.Close()
	_, err = pb.NewRecordServiceClient(conn).Write(ctx, place("x"))
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	_, err = pb.NewAuditServiceClient(conn).ListPeople(ctx, &pb.ListPeopleRequest{})
	require.Equal(t, codes.Unauthenticated, status.Code(err))
}

func serverKey(t *testing.T, c *clinic) ed25519.PublicKey {
	t.Helper()
	home, err := trust.Open(c.dir, secret(t), rand.Reader)
	require.NoError(t, err)
	own, err := home.Key("server.key", "server tls key")
	require.NoError(t, err)
	return authority.Public(own)
}

func proofKind(t *testing.T, wire []byte) pb.ProofKind {
	t.Helper()
	r, err := event.Decode(wire)
	require.NoError(t, err)
	return r.Head.AuthorProof.GetKind()
}

// TestStreamsOfOneLaptop: an admitted laptop opens as many streams as its links
// carry. The others are served as before, and when it is shut out each of its
// streams ends.
func TestStreamsOfOneLaptop(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	greedy := c.join("north", "J. Reed", pb.Role_ROLE_ASSISTANT)
	greedy.stop()
	key := greedy.home().Device
	ends, ended := make(chan error, 1000), 0
	for range 4 {
		x := pb.NewExchangeServiceClient(c.link(key))
		for range 60 {
			stream, err := x.Pull(t.Context(), &pb.PullRequest{Device: event.DeviceID(authority.Public(key))})
			require.NoError(t, err)
			go func() {
				for err == nil {
					_, err = stream.Recv()
				}
				ends <- err
			}()
		}
	}
	for ; ended < 240-replication.MaxPullsOfDevice; ended++ {
		err := <-ends
		require.Contains(t, []codes.Code{codes.Unavailable, codes.ResourceExhausted}, status.Code(err), "%v", err)
	}
	south := c.join("south", "M. Alder")
	eventually(t, "another laptop is served", func() bool { return south.state() == "connected" })
	c.same(south)
	require.Empty(t, ends, "a few of its streams stay")
	_, err := c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("north")[:8], Reason: "takes all streams"})
	require.NoError(t, err)
	for ; ended < 240; ended++ {
		require.Error(t, <-ends, "its streams are cut")
	}
	require.Equal(t, "connected", south.state())
}

// TestTwoCopiesOfAFolder: a laptop's data folder is copied, and both copies run. Both
// and the server say so at once.
func TestTwoCopiesOfAFolder(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	c.same(l)
	l.stop()
	twin := &laptop{t: t, dir: t.TempDir(), name: "north", server: c.addr, log: &said{}}
	require.NoError(t, os.CopyFS(twin.dir, os.DirFS(l.dir)))
	l.start()
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	twin.start()
	twice := func(conn *grpc.ClientConn) bool {
		answer, err := pb.NewAuditServiceClient(conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		return strings.Contains(strings.Join(answer.Differences, "\n"), "device_twice: two copies")
	}
	eventually(t, "all three say it", func() bool { return twice(l.conn) && twice(twin.conn) && twice(c.conn) })
}
