package agent_test

import (
	"bytes"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// Whole folders of a server and a laptop, as a program with these formats wrote them, with
// keys, index and all. Every later program opens them, folds them to the digest that stands
// beside them for its fold, and exchanges with itself on the other one.
//
//	go test ./agent -run TestGoldenFolders -golden
//
// writes the folders of today's formats and the digests of today's fold where they are
// missing; .ci/release refuses a release without them. What is there is never written again.
var goldenFlag = flag.Bool("golden", false, "write golden folders and digests that are missing")

const goldenFolders = "../testdata/golden"

// digestsFile has a line for each fold: its number, the server's digest and the laptop's.
const digestsFile = "digests.txt"

// goldenName is that of today's formats.
func goldenName() string {
	f := replica.Formats
	return fmt.Sprintf("fold-%d-wire-%d-journal-%d", f.Fold, f.Wire, f.Journal)
}

func TestGoldenFolders(t *testing.T) {
	today := filepath.Join(goldenFolders, goldenName())
	if _, err := os.Stat(today); *goldenFlag && err != nil {
		writeGoldenFolder(t, today)
	}
	all, err := filepath.Glob(filepath.Join(goldenFolders, "fold-*"))
	require.NoError(t, err)
	require.NotEmpty(t, all)
	for _, from := range all {
		for _, indexToo := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, its index %v", filepath.Base(from), indexToo), func(t *testing.T) {
				t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
				opensAsBefore(t, from, indexToo)
			})
		}
	}
}

// opensAsBefore opens copies of both folders, each alone and then together.
func opensAsBefore(t *testing.T, from string, indexToo bool) {
	c := &clinic{t: t, dir: goldenCopy(t, from, "server", indexToo), log: &said{}}
	c.start("127.0.0.1:0")
	l := &laptop{t: t, dir: goldenCopy(t, from, "laptop", indexToo), log: &said{}, server: "127.0.0.1:1"}
	l.start()
	got := fmt.Sprintf("%d %s %s", replica.Formats.Fold, digest(t, c.conn), digest(t, l.conn))
	require.Equal(t, goldenDigest(t, from, got), got, "the same records fold to another state: raise ledger.FoldVersion, and write its digests with -golden")
	for _, audit := range []pb.AuditServiceClient{pb.NewAuditServiceClient(c.conn), l.audit} {
		status, err := audit.GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		require.Empty(t, status.Repairs)
		require.Empty(t, status.Parts)
	}
	l.stop()
	l.server = c.addr
	l.start()
	_, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: place("west car").Entry, Author: "J. Reed"})
	require.NoError(t, err, "it goes on")
	eventually(t, "the server holds it", func() bool { return strings.HasPrefix(l.state(), "connected") && l.unheld() == 0 })
	c.same(l)
	l.stop()
	c.stop()
}

// unheld counts own records that are not held by the word of the server.
func (l *laptop) unheld() int64 {
	answer, err := l.audit.GetStatus(l.t.Context(), &pb.GetStatusRequest{})
	require.NoError(l.t, err)
	return answer.SavedHere + answer.Sent
}

// goldenDigest is the line of today's fold.
func goldenDigest(t *testing.T, from, got string) string {
	path := filepath.Join(from, digestsFile)
	raw, err := os.ReadFile(path)
	if !os.IsNotExist(err) {
		require.NoError(t, err)
	}
	fold, _, _ := strings.Cut(got, " ")
	for l := range strings.Lines(string(raw)) {
		if strings.HasPrefix(l, fold+" ") {
			return strings.TrimSpace(l)
		}
	}
	require.True(t, *goldenFlag, "there are no digests for fold %s in %s; write them with -golden after looking at the change", fold, path)
	require.NoError(t, os.WriteFile(path, append(raw, got+"\n"...), 0o644))
	return got
}

// emptyTable is a megabyte of zeros in every index; it is not kept.
var emptyTable = filepath.Join("index", "tables", "DISCARD")

func goldenCopy(t *testing.T, from, which string, indexToo bool) string {
	dir := filepath.Join(t.TempDir(), which)
	require.NoError(t, os.CopyFS(dir, os.DirFS(filepath.Join(from, which))))
	if indexToo {
		require.NoError(t, os.WriteFile(filepath.Join(dir, emptyTable), make([]byte, 1<<20), 0o600))
	} else {
		require.NoError(t, os.RemoveAll(filepath.Join(dir, "index")))
	}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		mode := fs.FileMode(0o600) // git keeps no other
		if err == nil && d.IsDir() {
			mode = 0o700
		}
		return os.Chmod(path, mode)
	}))
	return dir
}

// writeGoldenFolder writes a short night on a server and a laptop, and keeps their folders.
func writeGoldenFolder(t *testing.T, to string) {
	c := newClinic(t)
	l := c.join("north car", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	c.same(l)
	write := func(e *pb.Entry) []string {
		t.Helper()
		out, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: e, Author: "J. Reed"})
		require.NoError(t, err)
		return out.Made
	}
	write(place("north car").Entry)
	write(&pb.Entry{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}})
	write(&pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{Product: "foal plasma", Batch: "H-2207", Expiry: "2099-03", VolumeMl: 950, Count: 3, Place: "north car"}}})
	foal := write(&pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "star", Box: "4", ClockChecked: true,
	}}})[0]
	write(&pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{EntityKind: "case", Entity: foal, Text: &pb.Sealed{Plain: "the owner is away"}}}})
	write(&pb.Entry{Body: &pb.Entry_BatchHeld{BatchHeld: &pb.BatchHeld{Product: "Foal plasma", Batch: "H-2207", Reason: "a reaction elsewhere"}}})
	eventually(t, "all is held on the server", func() bool { return l.unheld() == 0 })
	c.same(l)
	l.stop()
	c.stop()
	for which, dir := range map[string]string{"server": c.dir, "laptop": l.dir} {
		keepGolden(t, dir, filepath.Join(to, which))
	}
	about := "Written by " + replica.Version + "; the passphrase of both is: " + passphrase + "\n"
	require.NoError(t, os.WriteFile(filepath.Join(to, "about.txt"), []byte(about), 0o644))
}

// keepGolden keeps a folder without what holds nothing or is of the moment.
func keepGolden(t *testing.T, dir, to string) {
	zeros, err := os.ReadFile(filepath.Join(dir, emptyTable))
	require.NoError(t, err)
	require.Empty(t, bytes.Trim(zeros, "\x00"))
	ofTheMoment := []string{"reserve", "DISCARD", "lock", "replica.lock", "local.door", "page.url"}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || slices.Contains(ofTheMoment, d.Name()) {
			return err
		}
		inside, err := filepath.Rel(dir, path)
		require.NoError(t, err)
		raw, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(to, inside)), 0o755))
		return os.WriteFile(filepath.Join(to, inside), raw, 0o644)
	}))
}
