package agent_test

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/agent"
	"thawtrail/internal/bundle"
	"thawtrail/internal/store"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// books asks a running laptop for a file of its records.
func (l *laptop) books(id string) (file []byte, code string) {
	l.t.Helper()
	stream, err := pb.NewCarryServiceClient(l.conn).WriteBooks(l.t.Context(), &pb.WriteBooksRequest{Case: id})
	require.NoError(l.t, err)
	for {
		m, err := stream.Recv()
		require.NoError(l.t, err)
		if m.Code != "" {
			return file, m.Code
		}
		file = append(file, m.Data...)
	}
}

// reads hands a file to a running laptop in small pieces.
func (l *laptop) reads(file []byte, code string) (*pb.ReadBooksResponse, error) {
	l.t.Helper()
	stream, err := pb.NewCarryServiceClient(l.conn).ReadBooks(l.t.Context())
	require.NoError(l.t, err)
	if err := stream.Send(&pb.ReadBooksRequest{Code: code}); err != nil && err != io.EOF {
		require.NoError(l.t, err)
	}
	for piece := range bytesChunks(file, 1000) {
		if stream.Send(&pb.ReadBooksRequest{Data: piece}) != nil {
			break // the answer says why
		}
	}
	return stream.CloseAndRecv()
}

func bytesChunks(b []byte, n int) func(func([]byte) bool) {
	return func(yield func([]byte) bool) {
		for ; len(b) > 0; b = b[min(n, len(b)):] {
			if !yield(b[:min(n, len(b))]) {
				return
			}
		}
	}
}

func (l *laptop) place(name, author string) string {
	l.t.Helper()
	made, err := l.record.Write(l.t.Context(), &pb.WriteRequest{Author: author, Entry: place(name).Entry})
	require.NoError(l.t, err)
	return made.Record
}

func (l *laptop) saved(record string) pb.SavedState {
	l.t.Helper()
	r, err := l.audit.GetRecord(l.t.Context(), &pb.GetRecordRequest{Record: record})
	require.NoError(l.t, err)
	return r.Saved
}

func (c *clinic) restoreConfig(books []byte, code string) server.RestoreConfig {
	c.t.Helper()
	key, err := authority.FromSheet(c.sheet)
	require.NoError(c.t, err)
	opens, err := bundle.ParseCode(code)
	require.NoError(c.t, err)
	return server.RestoreConfig{Data: c.t.TempDir(), Secret: secret(c.t), Cost: cheap, Key: key, Books: bytes.NewReader(books), Code: opens}
}

// TestAServerIsRestoredFromTheSheet loses the server's disk. The sheet and the
// books of one laptop make it anew, at another address; both laptops come back
// without joining again and bring what it lacks.
func TestAServerIsRestoredFromTheSheet(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	south := c.join("south", "K. Low", pb.Role_ROLE_CLINIC)
	stolen := c.join("stolen", "T. Hill", pb.Role_ROLE_CLINIC)
	for _, l := range []*laptop{north, south, stolen} {
		eventually(t, "connected", func() bool { return l.state() == "connected" })
	}
	before := north.place("north freezer", "J. Reed")
	client, err := north.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: &pb.Entry{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}}}})
	require.NoError(t, err)
	_, err = c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: device(stolen), Reason: "stolen from the car"})
	require.NoError(t, err)
	c.same(north)
	c.same(south)
	eventually(t, "held on the server", func() bool { return north.saved(before) == pb.SavedState_SAVED_STATE_HELD_ON_SERVER })

	// The server's disk is lost. South had written what north never heard of.
	c.stop()
	late := south.place("south freezer", "K. Low")
	file, code := north.books("")
	require.NotContains(t, string(file), "north freezer", "the stick shows nothing")

	cfg := c.restoreConfig(file, code)
	restored, err := server.Restore(t.Context(), cfg)
	require.NoError(t, err)
	require.Equal(t, "Alder Creek Equine", restored.Practice)
	require.Empty(t, restored.Lacking)
	require.Len(t, restored.Laptops, 2)
	require.Len(t, restored.ShutOut, 1)
	require.Contains(t, restored.ShutOut[0], "stolen")
	_, err = server.Restore(t.Context(), cfg)
	require.ErrorContains(t, err, "belongs to Alder Creek Equine", "a folder serves once")

	c.dir = cfg.Data
	c.start(testrun.Address(t))
	for _, l := range []*laptop{north, south, stolen} {
		l.stop()
		l.server = c.addr
		l.start()
	}
	eventually(t, "north is back", func() bool { return north.state() == "connected" })
	eventually(t, "south is back", func() bool { return south.state() == "connected" })
	eventually(t, "south's entry reaches north through the new server", func() bool {
		_, err := north.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: late})
		return err == nil
	})
	c.same(north)
	c.same(south)
	require.Equal(t, digest(t, north.conn), digest(t, south.conn))
	eventually(t, "held on the new server", func() bool { return north.saved(before) == pb.SavedState_SAVED_STATE_HELD_ON_SERVER })
	eventually(t, "the stolen laptop stays out", func() bool { return strings.Contains(stolen.state(), "not connected") })
	for _, where := range []*laptop{north, south, {t: t, audit: pb.NewAuditServiceClient(c.conn)}} {
		found, err := where.audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{})
		require.NoError(t, err)
		require.Empty(t, found.Discrepancies)
	}
	seen, err := pb.NewAuditServiceClient(c.conn).GetRecord(t.Context(), &pb.GetRecordRequest{Record: client.Record})
	require.NoError(t, err)
	require.Contains(t, seen.String(), "P. Hollis", "the keys of sealed fields came with the books")

	// The new server is a server like the first: it lets a new laptop in, and shuts
	// one out, and both hold on every replica.
	east := c.join("east", "N. Vet", pb.Role_ROLE_VET)
	eventually(t, "east is connected", func() bool { return east.state() == "connected" })
	c.same(east)
	_, err = c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: device(south), Reason: "sold"})
	require.NoError(t, err)
	eventually(t, "south is shut out", func() bool { return strings.Contains(south.state(), "not connected") })
	c.same(north)

	// Every replica verifies from end to end.
	for _, l := range []*laptop{north, south, east} {
		l.stop()
		verified(t, l.dir)
	}
	c.stop()
	verified(t, c.dir)
}

func device(l *laptop) string {
	l.t.Helper()
	people, err := l.audit.ListPeople(l.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(l.t, err)
	for _, d := range people.Devices {
		if d.Name == l.name {
			return d.Device
		}
	}
	require.Fail(l.t, "no such laptop", l.name)
	return ""
}

func verified(t *testing.T, dir string) {
	t.Helper()
	v, err := vault.Open(wholefile.Folder(dir), secret(t))
	require.NoError(t, err)
	report, err := store.Verify(t.Context(), store.VerifyOptions{Dir: dir, Key: v.Key(vault.Journal)})
	require.NoError(t, err)
	require.True(t, report.OK, report.FirstBad)
}

// TestRestoringRefuses names what does not fit, and begins nothing.
func TestRestoringRefuses(t *testing.T) {
	t.Parallel()
	c, other := newClinic(t), newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	known := north.place("north freezer", "J. Reed")
	c.same(north)
	file, code := north.books("")

	cfg := c.restoreConfig(file, code)
	sheet := c.sheet
	c.sheet = other.sheet
	strange := c.restoreConfig(file, code)
	c.sheet = sheet
	_, err := server.Restore(t.Context(), strange)
	require.ErrorContains(t, err, "the recovery sheet of Alder Creek Equine")

	cut := cfg
	cut.Books = bytes.NewReader(file[:len(file)-1])
	_, err = server.Restore(t.Context(), cut)
	require.ErrorContains(t, err, "not copied whole")

	wrong, err := bundle.NewCode(bytes.NewReader(bytes.Repeat([]byte{1, 2, 3}, 300)))
	require.NoError(t, err)
	otherCode := cfg
	otherCode.Code = wrong
	_, err = server.Restore(t.Context(), otherCode)
	require.ErrorContains(t, err, "another file's code")

	// A laptop of another practice takes nothing either, nor a laptop of none.
	far := other.join("far", "X. Vet", pb.Role_ROLE_VET)
	eventually(t, "connected", func() bool { return far.state() == "connected" })
	_, err = far.reads(file, code)
	require.ErrorContains(t, err, "to which this machine belongs")
	_, err = far.audit.GetRecord(t.Context(), &pb.GetRecordRequest{Record: known})
	require.Error(t, err)
	alone := newLaptop(t, "alone")
	alone.start()
	_, err = alone.reads(file, code)
	require.ErrorContains(t, err, "agent enrol CODE")
	err = agent.Books(t.Context(), newLaptop(t, "none").config(), nil)
	require.ErrorContains(t, err, "belongs to a practice")

	// Nothing of all that keeps the true ones from working.
	_, err = server.Restore(t.Context(), cfg)
	require.NoError(t, err)
}
