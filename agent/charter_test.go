package agent_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// practiceOfThree is a server, a laptop that belongs to it and one that was shut out.
func practiceOfThree(t *testing.T) (c *clinic, north, thief *laptop) {
	c = newClinic(t)
	north = c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	thief = c.join("thief", "K. Moss", pb.Role_ROLE_VET)
	c.same(north)
	c.same(thief)
	_, err := c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("thief"), Reason: "stolen"})
	require.NoError(t, err)
	c.same(north)
	return c, north, thief
}

// spoil changes one byte of every copy in a stopped server's journal of the first
// record that fits.
func (c *clinic) spoil(what string, fits func(*event.Record) bool) {
	c.t.Helper()
	v, err := vault.Open(wholefile.Folder(c.dir), secret(c.t))
	require.NoError(c.t, err)
	dir := filepath.Join(c.dir, "journal")
	j, _, err := journal.Open(journal.Options{FS: journal.OSFS{}, Dir: dir, Key: v.Key(vault.Journal), ReadOnly: true, Now: time.Now})
	require.NoError(c.t, err)
	var hash event.Hash
	var places []journal.Position
	require.NoError(c.t, j.Scan(journal.Position{}, func(p journal.Position, frame []byte) error {
		r, err := event.Decode(bytes.Clone(frame))
		if err == nil && (hash.IsZero() && fits(r) || r.Hash == hash) {
			hash, places = r.Hash, append(places, p)
		}
		return err
	}, func(_, _ journal.Position, _ string) error { return nil }))
	require.NoError(c.t, j.Close())
	require.NotEmpty(c.t, places, what)
	for _, p := range places {
		const head = 16 // of a frame
		path := filepath.Join(dir, fmt.Sprintf("%010d.journal", p.Segment))
		raw, err := os.ReadFile(path)
		require.NoError(c.t, err)
		raw[int(p.Offset)+head+20] ^= 1
		require.NoError(c.t, os.WriteFile(path, raw, 0o600))
	}
}

// lose does away with a stopped server's journal as a whole.
func (c *clinic) lose() { require.NoError(c.t, os.RemoveAll(filepath.Join(c.dir, "journal"))) }

func (c *clinic) repairs() string {
	c.t.Helper()
	status, err := pb.NewAuditServiceClient(c.conn).GetStatus(c.t.Context(), &pb.GetStatusRequest{})
	require.NoError(c.t, err)
	return strings.Join(status.Repairs, "\n")
}

// people is who is in the practice, with their laptops, as a replica answers it.
func people(t *testing.T, conn *grpc.ClientConn) string {
	t.Helper()
	answer, err := pb.NewAuditServiceClient(conn).ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	slices.SortFunc(answer.Devices, func(a, b *pb.DeviceRow) int { return strings.Compare(a.Device, b.Device) })
	for _, d := range answer.Devices {
		d.LastHeardAt, d.Records = "", 0
	}
	return protojson.Format(answer)
}

// ofDevice says that a record is about a device.
func ofDevice(id string) func(*event.Record) bool {
	return func(r *event.Record) bool {
		p, err := r.Payload()
		d, ok := p.(interface{ GetDevice() []byte })
		return err == nil && ok && hex.EncodeToString(d.GetDevice()) == id
	}
}

func ofType(t event.Type, and func(*event.Record) bool) func(*event.Record) bool {
	return func(r *event.Record) bool { return r.Head.Type == t && (and == nil || and(r)) }
}

// TestOneByteOfWhatTheServerStandsOn: whichever record of the opening, the founding,
// a laptop or a revocation cannot be read any more, the server brings it back from
// its second place, says so, and lets in whom it let in before, and nobody else.
func TestOneByteOfWhatTheServerStandsOn(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	northID, thiefID := c.deviceOf("north"), c.deviceOf("thief")
	for _, hurt := range []struct {
		what string
		fits func(*event.Record) bool
	}{
		{"the opening", ofType(event.TypeLogOpened, nil)},
		{"the founding", ofType(event.TypePracticeFounded, nil)},
		{"a laptop", ofType(event.TypeDeviceAdded, ofDevice(northID))},
		{"a revocation", ofType(event.TypeRightsRevoked, ofDevice(thiefID))},
	} {
		c.stop()
		before := people(t, north.conn)
		c.spoil(hurt.what, hurt.fits)
		c.start(c.addr)
		require.Contains(t, c.repairs(), "brought back", hurt.what)
		eventually(t, "connected after "+hurt.what, func() bool { return north.state() == "connected" })
		c.same(north)
		require.Equal(t, before, people(t, c.conn), hurt.what)
		time.Sleep(300 * time.Millisecond)
		require.NotEqual(t, "connected", thief.state(), hurt.what)
	}
	c.stop()
	c.start(c.addr)
	require.Equal(t, "vet", strings.Join(c.roles("K. Moss"), " "))
}

// TestALostJournalIsBroughtBack: a server whose journal is gone as a whole knows its
// practice from the second place, begins no other one, and its laptop brings the rest.
func TestALostJournalIsBroughtBack(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	north.enter("J. Reed", place("shelf").Entry)
	c.same(north)
	before, records := people(t, c.conn), len(c.places())
	for _, alone := range []bool{true, false} { // the journal alone, and with all that told how far it reached
		c.stop()
		c.lose()
		if !alone {
			require.NoError(t, os.RemoveAll(filepath.Join(c.dir, "index")))
			require.NoError(t, os.Remove(filepath.Join(c.dir, "journal.end")))
		}
		c.start(c.addr)
		require.Contains(t, c.repairs(), "brought back")
		eventually(t, "connected", func() bool { return north.state() == "connected" })
		eventually(t, "all records are back", func() bool { return len(c.places()) == records })
		c.same(north)
		require.Equal(t, before, people(t, c.conn))
		require.NotEqual(t, "connected", thief.state())
	}
}

// loseBoth does away with the journal and with the second place.
func (c *clinic) loseBoth() {
	c.lose()
	c.loseCharter()
}

func (c *clinic) loseCharter() { require.NoError(c.t, os.Remove(filepath.Join(c.dir, "charter.box"))) }

// goOn takes a person's word, on the stopped server, that all who were shut out are
// known as such, and starts it.
func (c *clinic) goOn() {
	c.t.Helper()
	losses := []string{"losses", "--data", c.dir, "--passphrase-file", phraseFile(c.t)}
	code, printed := command(c.t, losses...)
	require.Equal(c.t, 1, code)
	require.Contains(c.t, strings.Join(strings.Fields(printed), " "), "thawtrail server revoke")
	code, printed = command(c.t, append(losses, "--seen")...)
	require.Zero(c.t, code, printed)
	c.start(c.addr)
}

// first are the records that a server cannot do without. said is what it says when one
// is in neither place.
func (c *clinic) first() []hurt {
	return []hurt{
		{"the opening", "what let this server itself in", ofType(event.TypeLogOpened, nil)},
		{"the founding", "the founding can be read neither", ofType(event.TypePracticeFounded, nil)},
		{"a revocation", "", ofType(event.TypeRightsRevoked, ofDevice(c.deviceOf("thief")))},
	}
}

type hurt struct {
	what, said string
	fits       func(*event.Record) bool
}

// TestLaptopsBringTheFoundingBack: with one record and the second place gone, what the
// index knows is enough to tell when all of it is there again. Laptops bring it, and all
// is as before.
func TestLaptopsBringTheFoundingBack(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	before := people(t, c.conn)
	for _, h := range c.first()[:testrun.Of(1, 3)] {
		c.stop()
		c.spoil(h.what, h.fits)
		c.loseCharter()
		c.start(c.addr)
		eventually(t, "connected after "+h.what, func() bool { return north.state() == "connected" })
		c.same(north)
		require.Equal(t, before, people(t, c.conn), h.what)
		eventually(t, "the second place is there again", func() bool {
			_, err := os.Stat(filepath.Join(c.dir, "charter.box"))
			return err == nil
		})
		require.NotEqual(t, "connected", thief.state())
	}
}

// TestAServerInDoubtSaysSo: with the index gone too, nobody can tell what came last. The
// server lets nobody in and says so in plain words, also when laptops have brought back
// all that they hold, until a person at the server has said that none is missing. A
// laptop that was shut out may help, and stays out.
func TestAServerInDoubtSaysSo(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	before, all := people(t, c.conn), c.first()
	for _, h := range all[testrun.Of(2, 0):] {
		north.stop()
		thief.stop()
		c.stop()
		c.spoil(h.what, h.fits)
		c.loseCharter()
		require.NoError(t, os.RemoveAll(filepath.Join(c.dir, "index")))
		c.start(c.addr)
		_, err := pb.NewExchangeServiceClient(c.link(newKey(t))).Hello(t.Context(), &pb.HelloRequest{})
		require.Equal(t, codes.FailedPrecondition, status.Code(err), "%s: %v", h.what, err)
		require.ErrorContains(t, err, "this server cannot tell who belongs to the practice: "+h.said, h.what)
		require.Contains(t, c.doubt(), "cannot tell who belongs to the practice", "its own people see it")
		thief.start()
		north.start()
		eventually(t, h.what+" is back", func() bool { return before == people(t, c.conn) })
		for _, l := range []*laptop{north, thief} {
			eventually(t, "told why", func() bool { return strings.Contains(l.state(), "Somebody at the server has to say") })
		}
		c.stop()
		c.goOn()
		eventually(t, "connected after "+h.what, func() bool { return north.state() == "connected" })
		c.same(north)
		require.Equal(t, before, people(t, c.conn), h.what)
		require.NotEqual(t, "connected", thief.state())
	}
}

// doubt is what the status of the server says of it.
func (c *clinic) doubt() string {
	c.t.Helper()
	status, err := pb.NewAuditServiceClient(c.conn).GetStatus(c.t.Context(), &pb.GetStatusRequest{})
	require.NoError(c.t, err)
	for _, p := range status.Parts {
		if p.Part == "founding and members" {
			return p.Problem
		}
	}
	return ""
}

// TestBooksThatEndBeforeARevocationDoNotUndoIt: where journal and second place are gone
// as a whole, a laptop that was shut out brings the practice as it was before that. All
// of it is true, and it lets nobody in, until the revocation has come from another
// laptop, and a person at the server has said that none is missing.
func TestBooksThatEndBeforeARevocationDoNotUndoIt(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	north.stop()
	before := people(t, c.conn)
	c.stop()
	c.loseBoth()
	c.start(c.addr)
	eventually(t, "the thief brought the founding", func() bool { return len(c.roles("M. Alder")) == 3 })
	require.NotEqual(t, before, people(t, c.conn), "by these books it is still in")
	eventually(t, "and is let in by nobody", func() bool { return strings.Contains(thief.state(), "Somebody at the server has to say") })
	north.start()
	eventually(t, "the revocation is here", func() bool { return before == people(t, c.conn) })
	require.Contains(t, north.state(), "not connected", "what came last, nobody can know")
	c.stop()
	c.goOn()
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	require.Equal(t, before, people(t, c.conn))
	require.NotEqual(t, "connected", thief.state())
	require.FileExists(t, filepath.Join(c.dir, "charter.box"))
}

// kill leaves a running server's folder as a kill would, and stops it.
func (c *clinic) kill() {
	c.t.Helper()
	image := filepath.Join(c.t.TempDir(), "image")
	require.NoError(c.t, os.CopyFS(image, os.DirFS(c.dir)))
	c.stop()
	c.dir = image
}

// TestALostRevocationIsMissed: after a kill the journal is read again and a revocation in
// it is not there any more. The laptop that it shut out is not let in meanwhile.
func TestALostRevocationIsMissed(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	before, thiefID := people(t, c.conn), c.deviceOf("thief")
	north.enter("J. Reed", place("shelf").Entry)
	c.same(north)
	north.stop()
	thief.stop()
	c.kill()
	c.spoil("a revocation", ofType(event.TypeRightsRevoked, ofDevice(thiefID)))
	c.loseCharter()
	c.start(c.addr)
	require.NotEqual(t, before, people(t, c.conn), "it is gone from the books")
	_, err := pb.NewExchangeServiceClient(c.link(thief.home().Device)).Hello(t.Context(), &pb.HelloRequest{})
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "%v", err)
	require.ErrorContains(t, err, "records of its logs are missing")
	north.start()
	thief.start()
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	require.Equal(t, before, people(t, c.conn))
	eventually(t, "the thief is out", func() bool { return strings.Contains(thief.state(), "bad certificate") })
}

// charter is what a stopped laptop holds of the founding and the members.
func (l *laptop) charter() []*pb.Run {
	l.t.Helper()
	s, err := store.Open(l.t.Context(), l.home().Store(store.Options{Clock: clock.System{}, DeviceName: l.name}))
	require.NoError(l.t, err)
	defer func() { require.NoError(l.t, s.Close()) }()
	runs, err := s.Charter(l.t.Context())
	require.NoError(l.t, err)
	return runs
}

// TestWhatIsOfferedProvesItself: a server in doubt takes from anybody what the practice
// wrote, and nothing else, and not without end. One that knows its practice takes none.
func TestWhatIsOfferedProvesItself(t *testing.T) {
	c, north, thief := practiceOfThree(t)
	north.stop()
	thief.stop()
	offer := func(runs ...*pb.Run) (*pb.OfferResponse, error) {
		return pb.NewCharterServiceClient(c.link(newKey(t))).Offer(t.Context(), &pb.OfferRequest{Runs: runs})
	}
	_, err := offer(north.charter()...)
	// The door shuts it out: it reads 'bad certificate', or writes into a closed link.
	require.Equal(t, codes.Unavailable, status.Code(err), "a stranger, while nothing is in doubt: %v", err)
	_, err = pb.NewCharterServiceClient(c.link(north.home().Device)).Offer(t.Context(), &pb.OfferRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "%v", err)

	c.stop()
	c.loseBoth()
	c.start(c.addr)
	stranger := newLaptop(t, "stranger")
	root := newKey(t)
	founded := stranger.forge(store.Draft{Type: event.TypePracticeFounded, Payload: &pb.PracticeFounded{
		Practice: "other", Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", Owner: "x", OwnerName: "X", Authority: authority.Public(root)}},
		store.Draft{Type: event.TypeServerRestored, Payload: &pb.ServerRestored{PublicKey: authority.Public(stranger.home().Device), Name: "clinic", Signature: make([]byte, 64)}})
	forged := north.forge(store.Draft{Type: event.TypeRoleGranted, Author: "J. Reed", Payload: &pb.RoleGranted{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_OWNER}}})
	forged = slices.DeleteFunc(forged, func(r *pb.Run) bool { return len(r.Records) == 1 }) // an opening is its own to write
	good := north.charter()
	altered := make([]*pb.Run, len(good))
	for i, run := range good {
		altered[i] = &pb.Run{Log: run.Log, From: run.From, Records: [][]byte{bytes.Clone(run.Records[0])}}
		altered[i].Records[0][len(altered[i].Records[0])/2] ^= 1
	}
	cut := &pb.Run{Log: good[0].Log, From: good[0].From + 1, Records: good[0].Records}
	refused := func(what string) {
		for _, runs := range [][]*pb.Run{founded, forged, altered, {cut, {}, {Log: []byte("short")}}} {
			out, err := offer(runs...)
			require.NoError(t, err)
			require.Zero(t, out.Taken, what)
			require.Contains(t, out.Doubt, "cannot tell who belongs to the practice")
		}
	}
	refused("before the founding is known")
	out, err := offer(good...)
	require.NoError(t, err)
	require.Positive(t, out.Taken)
	require.Len(t, c.roles("M. Alder"), 3)
	before := people(t, c.conn)
	refused("and after")
	require.Equal(t, before, people(t, c.conn))

	var last error
	for n := 0; n < 60 && last == nil; n++ {
		_, last = offer(cut)
	}
	require.Equal(t, codes.ResourceExhausted, status.Code(last), "%v", last)
}

// TestADamagedKeyFileIsPutBack from its envelope in the second place, and said.
func TestADamagedKeyFileIsPutBack(t *testing.T) {
	c, north, _ := practiceOfThree(t)
	for _, name := range []string{"device.key", "authority.key", "practice.box", "server.key"} {
		c.stop()
		path := filepath.Join(c.dir, name)
		good, err := os.ReadFile(path)
		require.NoError(t, err)
		bad := bytes.Clone(good)
		bad[len(bad)/2] ^= 1
		require.NoError(t, os.WriteFile(path, bad, 0o600))
		c.start(c.addr)
		require.Contains(t, c.repairs(), name+" was damaged and is put back", name)
		back, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, good, back)
		eventually(t, "connected with "+name, func() bool { return north.state() == "connected" })
	}
}
