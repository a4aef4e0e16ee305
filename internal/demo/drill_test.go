package demo

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/testrun"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// saved is what `backup --json`, `backup check --json` and `restore --json` print.
type saved struct {
	OK         bool
	Records    int64
	Digest     string
	Until      string
	SheetOpens bool  `json:"sheet_opens"`
	Went       int64 `json:"went_on"`
}

func (k *torture) backs(words ...string) (out saved) {
	k.t.Helper()
	text, errs, code := commandOutput(k.t, append(words, "--json")...)
	require.Zero(k.t, code, "%q: %s%s", words, text, errs)
	require.NoError(k.t, json.Unmarshal([]byte(text), &out), text)
	return out
}

// sheet writes the recovery sheet of the practice's server, as it was printed.
func (k *torture) sheet() string {
	k.t.Helper()
	secret, err := vault.ReadPassphrase(filepath.Join(k.n.dir, k.n.clinic.name+".passphrase"))
	require.NoError(k.t, err)
	home, err := trust.Open(filepath.Join(k.n.dir, k.n.clinic.name), &secret, rand.Reader)
	require.NoError(k.t, err)
	key, err := home.Key(trust.AuthorityFile, vault.Authority)
	require.NoError(k.t, err)
	path := filepath.Join(k.n.dir, "sheet")
	require.NoError(k.t, os.WriteFile(path, []byte(authority.Sheet("Alder Creek Equine", key)), 0o600))
	return path
}

// TestARestoreDrill is what a practice should try once a year, with whole programs: the
// server saves all records while everybody writes, the saving is killed in the middle and
// gone on with, the server's folder is lost, a new one is made of the file and the
// recovery sheet alone, and the laptops come back to it.
func TestARestoreDrill(t *testing.T) {
	if testrun.Rounds(0, 1, 1) == 0 {
		t.Skip("a minute of whole programs: THAWTRAIL_TESTS=whole")
	}
	k := newTorture(t, "restored servers", 1, 1, 5)
	sheet := k.sheet()
	folder, err := k.n.clinic.folder(k.n.dir)
	require.NoError(t, err)
	k.fill(640)
	k.allowed.Store(1 << 40)
	k.write()
	file := filepath.Join(t.TempDir(), "clinic.books")
	k.killedBackup(file, folder)
	before := k.ackedAt(k.n.clinic)
	out := k.backs(append([]string{"backup", file}, folder[:2]...)...)
	require.Positive(t, out.Went, "it goes on where it was killed")
	require.True(t, out.OK && out.SheetOpens)
	require.NoFileExists(t, file+".part")
	k.stopWriting()
	k.settle("before the server is lost")

	checked := k.backs("backup", "check", file, "--sheet", sheet)
	require.True(t, checked.OK)
	require.Equal(t, out.Records, checked.Records)
	require.Equal(t, out.Until, checked.Until)

	// A second one, in quiet: each log ends in the restored server where it ended, by the
	// hash that chains all before it.
	quiet := filepath.Join(t.TempDir(), "quiet.books")
	k.backs(append([]string{"backup", quiet}, folder[:2]...)...)
	digest := ask(k.n, k.n.clinic, k.n.clinic.audit.GetDigest, &pb.GetDigestRequest{})
	require.NoError(t, k.n.err)
	spare := &site{name: "spare", args: []string{"server"}}
	into, err := spare.folder(k.n.dir)
	require.NoError(t, err)
	restored := k.backs(append([]string{"restore", quiet, "--sheet", sheet}, into...)...)
	require.Equal(t, digest.Records, restored.Records)
	require.NoError(t, spare.open(t.Context(), k.n.cfg.Program, k.n.dir))
	t.Cleanup(spare.close)
	there := ask(k.n, spare, spare.audit.GetDigest, &pb.GetDigestRequest{})
	require.NoError(t, k.n.err)
	for _, h := range digest.Heads {
		require.True(t, slices.ContainsFunc(there.Heads, func(o *pb.Head) bool { return proto.Equal(h, o) }), "log %s ends elsewhere in the restored server", h.Log)
	}
	spare.proc.kill()

	// The server's folder is lost. Nobody reaches the new one until it was looked at.
	k.n.clinic.proc.kill()
	for _, s := range []*site{k.n.north, k.n.south} {
		s.wire.Cut()
	}
	require.NoError(t, os.Rename(folder[1], folder[1]+"-lost"))
	k.backs(append([]string{"restore", file, "--sheet", sheet}, folder...)...)
	k.open(k.n.clinic, "made anew")
	require.Empty(t, k.lacks(k.n.clinic, before), "what was acknowledged before the backup was gone on with is in it")
	for _, s := range []*site{k.n.north, k.n.south} {
		s.wire.Restore()
	}
	require.NoError(t, k.add(k.n.clinic, 2))
	require.NoError(t, k.add(k.n.north, 2))
	k.tell()
	k.verified()
}

// fill enters some megabytes at the server.
func (k *torture) fill(entries int) {
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			about := vehicle(k.n.clinic, 1000+i)
			if err := k.save(k.n.clinic, about); err != nil {
				k.fail(err)
			}
			for range entries / 8 {
				note := longNote(k.n.clinic)
				note.Entry.GetNoteAdded().Entity = about.Entry.GetVehicleAdded().Name
				if err := k.save(k.n.clinic, note); err != nil {
					k.fail(err)
				}
			}
		})
	}
	all.Wait()
	require.NoError(k.t, k.bad)
}

// ackedAt are the entries that one site has acknowledged so far.
func (k *torture) ackedAt(s *site) []ack {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(k.n.acks), func(a ack) bool { return a.at != s })
}

// killedBackup kills a saving in its middle. One that was quicker is tried again.
func (k *torture) killedBackup(file string, folder []string) {
	k.t.Helper()
	for range 20 {
		cmd := exec.CommandContext(context.WithoutCancel(k.t.Context()), program(k.t), append([]string{"backup", file}, folder[:2]...)...)
		var said strings.Builder
		cmd.Stderr = &said
		require.NoError(k.t, cmd.Start())
		deadline := time.Now().Add(startWithin)
		for {
			info, err := os.Stat(file + ".part")
			if err == nil && info.Size() > 300<<10 || time.Now().After(deadline) {
				break
			}
			if _, err := os.Stat(file); err == nil {
				break
			}
			time.Sleep(time.Millisecond)
		}
		require.NoError(k.t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed
		if _, err := os.Stat(file); err != nil {
			require.FileExists(k.t, file+".part", said.String())
			return
		}
		require.NoError(k.t, os.Remove(file))
	}
	k.t.Fatal("no saving was killed in its middle")
}
