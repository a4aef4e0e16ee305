package agent_test

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/cli"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/invite"
	pb "thawtrail/proto/thawtrail/v1"
)

// command runs a command line as a person does, and gives all that it printed.
func command(t *testing.T, args ...string) (code int, printed string) {
	t.Helper()
	var out bytes.Buffer
	code = cli.Main(t.Context(), args, &out, &out)
	return code, out.String()
}

// harmless fails on whatever could steer a terminal.
func harmless(t *testing.T, printed string) {
	t.Helper()
	for _, r := range printed {
		steers := unicode.IsControl(r) && r != '\n' && r != '\t' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
		require.False(t, steers, "%q in %q", r, printed)
	}
}

// files lists all files below a folder.
func files(t *testing.T, dir string) (out []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, path)
		}
		return err
	}))
	return out
}

const (
	escapes  = "\x1b]0;owned\x07\x1b[2J\u202eevil\u009b31m\r"
	climbing = "../../../../climbed"
)

// TestNamesFromAfarSteerNothing: an altered laptop writes names that no entry
// takes: escapes of a terminal, other reading orders, paths, and texts without
// end. Real commands against the real server print them harmlessly, and no file
// is named by them.
func TestNamesFromAfarSteerNothing(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	c.same(l)
	people, err := l.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	owner := ""
	for _, p := range people.People {
		if p.Name == "M. Alder" {
			owner = p.Person
		}
	}
	l.stop()
	place := func(id, name string) store.Draft { // in the owner's name: the laptop vouches for who typed
		return store.Draft{Type: event.Type(11), Author: owner, Grant: l.home().Joined.Founding,
			Payload: &pb.PlaceAdded{Place: id, Name: name, Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}
	}
	runs := l.forge(
		place("X1", "car"+escapes), place(climbing, climbing), place("X3", strings.Repeat("long ", 10_000)),
		store.Draft{Type: event.Type(50), Payload: &pb.CaseOpened{Case: "X4", Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Harbour" + escapes, Colour: escapes, Markings: "<b>star</b>"}},
		store.Draft{Type: event.TypeRoleGranted, Author: "J" + escapes, Payload: &pb.RoleGranted{Person: escapes, Roles: []pb.Role{pb.Role_ROLE_OWNER}}},
	)
	_, err = c.push(l.home().Device, runs...)
	require.NoError(t, err, "they are kept")
	names := c.places()
	require.Contains(t, strings.Join(names, "|"), "car\x1b", "it came through as it was written")
	require.NotContains(t, strings.Join(names, "|"), "long long", "what is longer than an entry may be cannot be read")
	for _, words := range [][]string{{"place", "list"}, {"case", "list"}, {"people"}, {"discrepancies"}, {"now"}, {"stock"}, {"status"}} {
		code, printed := command(t, append(words, "--at", c.addr)...)
		harmless(t, printed)
		if code == 0 {
			code, asJSON := command(t, append(words, "--at", c.addr, "--json")...)
			require.Zero(t, code)
			require.NotContains(t, asJSON, "\x1b", "%q", words)
		}
	}
	code, printed := command(t, "place", "list", "--at", c.addr)
	require.Zero(t, code, printed)
	require.Contains(t, printed, "car", "the name is told, without what steers")
	code, printed = command(t, "discrepancies", "--at", c.addr)
	require.Zero(t, code, printed)
	require.Contains(t, printed, ledger.UnreadableRecord)
	harmless(t, c.log.text())
	for _, f := range files(t, filepath.Dir(c.dir)) {
		require.NotContains(t, f, "climbed")
		require.NotContains(t, f, "evil")
	}
}

// TestHostileFilesAtTheDoor hands files that no laptop wrote to the commands that
// take files from a stick, on a real server's folder.
func TestHostileFilesAtTheDoor(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	phrase := filepath.Join(t.TempDir(), "passphrase")
	require.NoError(t, os.WriteFile(phrase, []byte(passphrase+"\n"), 0o600))
	west := newLaptop(t, "west")
	stick := t.TempDir()
	put := func(name string, raw []byte) string {
		path := filepath.Join(stick, name)
		require.NoError(t, os.WriteFile(path, raw, 0o600))
		return path
	}
	claim := requestOf(t, newKey(t), c.invite("K. Low", pb.Role_ROLE_ASSISTANT))
	whole, err := proto.Marshal(claim)
	require.NoError(t, err)
	hostile, err := invite.Request(c.invite("L. Ash", pb.Role_ROLE_ASSISTANT).Key(), newKey(t), &pb.EnrolClaim{DeviceName: climbing + escapes}, bytes.NewReader(bytes.Repeat([]byte("random"), 100)))
	require.NoError(t, err)
	named, err := proto.Marshal(hostile)
	require.NoError(t, err)
	out := filepath.Join(stick, "out", "answer")
	for what, path := range map[string]string{
		"nothing there":      filepath.Join(stick, "absent"),
		"a folder":           stick,
		"a file without end": "/dev/zero",
		"empty":              put("empty", nil),
		"noise":              put("noise", bytes.Repeat([]byte{0xff, 7}, 900)),
		"too long":           put("long", append(whole, make([]byte, 2<<20)...)),
		"cut":                put("cut", whole[:len(whole)/2]),
		"a name that steers": put("a\x1b[2J\nb", []byte("x")),
	} {
		if _, err := os.Stat(path); err != nil && strings.HasPrefix(path, "/dev") {
			continue // a system without that device
		}
		code, printed := command(t, "server", "admit", path, "--data", c.dir, "--out", out)
		require.NotZero(t, code, what)
		harmless(t, printed)
		require.Equal(t, 1, strings.Count(printed, "\n"), "%s: one line: %q", what, printed)
		code, printed = command(t, "agent", "enrol", "--answer-file", path, "--data", west.dir, "--passphrase-file", phrase)
		require.NotZero(t, code, what)
		harmless(t, printed)
	}
	require.NoFileExists(t, out, "nothing was answered")
	require.NotContains(t, c.log.text(), "joined")

	// A laptop that calls itself a path is a laptop with an odd name.
	code, printed := command(t, "server", "admit", put("named", named), "--data", c.dir, "--out", out)
	require.Zero(t, code, printed)
	code, printed = command(t, "people", "--at", c.addr)
	require.Zero(t, code)
	harmless(t, printed)
	harmless(t, c.log.text())
	for _, f := range files(t, filepath.Dir(c.dir)) {
		require.NotContains(t, f, "climbed")
	}
}

// TestRunsSetAsideNameNoPath: a run that does not verify is kept in a file for a
// person; nothing that a stranger sent is part of its name.
func TestRunsSetAsideNameNoPath(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	l.stop()
	run := l.forge()[0]
	r := &pb.Record{}
	require.NoError(t, proto.Unmarshal(run.Records[len(run.Records)-1], r))
	r.Payload = []byte(climbing)
	raw, err := proto.Marshal(r)
	require.NoError(t, err)
	run.Records[len(run.Records)-1] = raw
	x := pb.NewExchangeServiceClient(c.link(l.home().Device))
	self := event.DeviceID(authority.Public(l.home().Device))
	for range 80 {
		answer, err := x.Push(t.Context(), &pb.PushRequest{Device: self, Runs: []*pb.Run{{Log: run.Log, Records: run.Records}}})
		require.NoError(t, err)
		require.NotEmpty(t, answer.Refused)
	}
	_, err = x.Push(t.Context(), &pb.PushRequest{Device: self, Runs: []*pb.Run{{Log: []byte(climbing), From: 1 << 63, Records: [][]byte{[]byte(climbing)}}}})
	require.NoError(t, err)
	kept := files(t, filepath.Join(c.dir, "aside"))
	require.NotEmpty(t, kept)
	require.LessOrEqual(t, len(kept), 128, "and they are bounded")
	for _, f := range kept {
		require.NotContains(t, f, "climbed")
		require.Equal(t, filepath.Join(c.dir, "aside"), filepath.Dir(f))
		raw, err := os.ReadFile(f)
		require.NoError(t, err)
		require.NotContains(t, string(raw), climbing, "the folder is encrypted, and so is what was set aside")
	}
}
