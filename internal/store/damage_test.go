package store

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/testrun"
)

// childVariable makes the test binary a child that opens replicas: some damage
// stops a process where nothing can recover it. Its value is the directory of a
// second replica that holds all records.
const childVariable = "THAWTRAIL_TEST_OPENS_REPLICAS"

var flipsFlag = flag.Int("flips", 0, "how many places of each kind of file a byte is flipped at; 0: the usual number")

func TestMain(m *testing.M) {
	if peer := os.Getenv(childVariable); peer != "" {
		if err := serveOpens(peer, os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// trial is what a child found in a damaged replica.
type trial struct {
	Error    string
	Digest   string   // as it was opened
	Repairs  []string // what it said
	Verified bool     // offline, before it was opened
	Notes    []string
	Refilled bool // after it met the second replica, both hold the same
	Missing  int  // stretches that are still missing then
}

// diskOptions are the options of a replica on the real disk.
func diskOptions(seed uint64, dir string, ix index.Index) Options {
	opt := memoryOptions(seed, journal.OSFS{}, ix)
	opt.Dir, opt.SegmentMax, opt.Random = dir, 16<<10, nil
	return opt
}

func serveOpens(peerDir string, in io.Reader, out io.Writer) error {
	ctx := context.Background()
	peer, err := Open(ctx, diskOptions(51, peerDir, index.NewMemory()))
	if err != nil {
		return err
	}
	for lines := bufio.NewScanner(in); lines.Scan(); {
		answer, err := json.Marshal(try(ctx, lines.Text(), peer))
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%s\n", answer)
	}
	return peer.Close()
}

func try(ctx context.Context, dir string, peer *Store) (t trial) {
	report, err := Verify(ctx, VerifyOptions{Dir: dir})
	if err != nil {
		return trial{Error: "verify: " + err.Error()}
	}
	t.Verified, t.Notes = report.OK, report.Notes
	s, err := Open(ctx, diskOptions(50, dir, nil))
	if err != nil {
		return trial{Error: "open: " + err.Error()}
	}
	if err := errors.Join(t.look(ctx, s, peer), s.Close()); err != nil {
		t.Error = err.Error()
	}
	return t
}

// look asks an open replica, scrubs it and lets it meet the second one.
func (t *trial) look(ctx context.Context, s, peer *Store) (err error) {
	if t.Digest, err = digestOf(ctx, s); err != nil {
		return err
	}
	if err := s.Scrub(ctx); err != nil {
		return err
	}
	t.Repairs = s.Repairs()
	for range 2 {
		if err := errors.Join(carry(ctx, peer, s), carry(ctx, s, peer)); err != nil {
			return err
		}
	}
	mine, err := digestOf(ctx, s)
	if err != nil {
		return err
	}
	theirs, err := digestOf(ctx, peer)
	t.Refilled = mine == theirs
	for _, h := range s.Held() {
		t.Missing += len(h.Missing)
	}
	return err
}

// child is a process that opens replicas.
type child struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Scanner
}

func startChild(t *testing.T, peerDir string) *child {
	cmd := exec.Command(os.Args[0])
	cmd.Env, cmd.Stderr = append(os.Environ(), childVariable+"="+copyDir(t, peerDir)), os.Stderr
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	return &child{cmd, in, lines}
}

// open asks for one replica; not ok when the child died of it.
func (c *child) open(t *testing.T, dir string) (out trial, ok bool) {
	_, err := fmt.Fprintln(c.in, dir)
	require.NoError(t, err)
	if !c.out.Scan() {
		return out, false
	}
	require.NoError(t, json.Unmarshal(c.out.Bytes(), &out))
	return out, true
}

func (c *child) stop() error { return errors.Join(c.in.Close(), c.cmd.Wait()) }

// copyDir copies a directory; zeros at the end of a file become a hole.
func copyDir(t *testing.T, from string) string {
	t.Helper()
	to := t.TempDir()
	require.NoError(t, filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			return os.MkdirAll(filepath.Join(to, name), 0o700)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		file, err := os.Create(filepath.Join(to, name))
		if err != nil {
			return err
		}
		_, err = file.Write(bytes.TrimRight(b, "\x00"))
		return errors.Join(err, file.Truncate(int64(len(b))), file.Close())
	}))
	return to
}

// images makes a replica that was stopped well, one that was killed with a part of
// its records not yet in the index, and a second replica that holds all of both.
func images(t *testing.T) (stopped, killed, peer, digestStopped, digestKilled string) {
	dir, peerDir := t.TempDir(), t.TempDir()
	b, err := Open(t.Context(), diskOptions(51, peerDir, index.NewMemory()))
	require.NoError(t, err)
	opt := diskOptions(50, dir, nil)
	a, err := Open(t.Context(), opt)
	require.NoError(t, err)
	write := func(s *Store, from, to int) {
		for i := from; i < to; i++ {
			_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
			require.NoError(t, err)
		}
	}
	write(a, 0, 40)
	_, err = a.Append(t.Context(), hold("P", "H-1"))
	require.NoError(t, err)
	write(b, 100, 110)
	meet(t, a, b)
	digestStopped = digest(t, a)
	require.NoError(t, a.Close())
	stopped = copyDir(t, dir)

	a, err = Open(t.Context(), opt)
	require.NoError(t, err)
	write(a, 40, 60)
	require.NoError(t, a.CatchUp(t.Context()))
	write(a, 60, 70)
	give(t, a, b)
	killed = copyDir(t, dir)
	digestKilled = digest(t, a)
	require.Equal(t, digestKilled, digest(t, b))
	require.NoError(t, a.Close())
	require.NoError(t, b.Close())
	return stopped, killed, peerDir, digestStopped, digestKilled
}

// kinds groups a replica's files by what they are.
func kinds(t *testing.T, dir string) map[string][]string {
	out := map[string][]string{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if info, _ := d.Info(); info.Size() > 0 {
			kind := filepath.Dir(name) + "/" + strings.TrimLeft(filepath.Base(name), "0123456789")
			out[kind] = append(out[kind], name)
		}
		return err
	}))
	return out
}

// flipOne flips one bit of one byte: of n places in the files of a kind, the i-th.
// Half of the places lie where the file is not empty.
func flipOne(t *testing.T, dir string, names []string, i, n int) string {
	name := names[i%len(names)]
	path := filepath.Join(dir, name)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	size := len(b)
	if i%2 == 0 {
		size = max(1, len(bytes.TrimRight(b, "\x00")))
	}
	at := min(size-1, size*i/n)
	b[at] ^= 1 << (i % 8)
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.WriteAt(b[at:at+1], int64(at))
	require.NoError(t, errors.Join(err, file.Close()))
	return fmt.Sprintf("%s, byte %d of %d", name, at, len(b))
}

// One byte decays anywhere in a replica's directory. It may cost nothing; or it is
// said, and what it cost comes back from another replica. It never takes anything
// in silence.
func TestOneFlippedByte(t *testing.T) {
	flips := cmp.Or(*flipsFlag, testrun.Of(4, 40))
	stopped, killed, peer, digestStopped, digestKilled := images(t)
	for name, image := range map[string]struct{ dir, digest string }{"stopped": {stopped, digestStopped}, "killed": {killed, digestKilled}} {
		whole := startChild(t, peer)
		got, ok := whole.open(t, copyDir(t, image.dir))
		require.True(t, ok)
		require.Equal(t, trial{Digest: image.digest, Verified: true, Refilled: true}, trial{Digest: got.Digest, Verified: got.Verified, Refilled: got.Refilled, Error: got.Error})
		require.Empty(t, got.Repairs)
		require.NoError(t, whole.stop())
		all := kinds(t, image.dir)
		require.Contains(t, all, "journal/.journal")
		require.Contains(t, all, "journal/reserve")
		require.Contains(t, all, "index/tables/MANIFEST")
		for kind, names := range all {
			t.Run(name+" "+strings.ReplaceAll(kind, "/", " "), func(t *testing.T) {
				t.Parallel()
				flipKind(t, image.dir, peer, image.digest, kind, names, flips)
			})
		}
	}
}

func flipKind(t *testing.T, image, peer, want, kind string, names []string, flips int) {
	c := startChild(t, peer)
	said := 0
	for i := range flips {
		dir := copyDir(t, image)
		where := flipOne(t, dir, names, i, flips)
		got, ok := c.open(t, dir)
		if !ok { // a goroutine of the index died: the next start, or the one after, puts it aside
			_ = c.stop()
			c = startChild(t, peer)
			if got, ok = c.open(t, dir); !ok {
				_ = c.stop()
				c = startChild(t, peer)
				got, ok = c.open(t, dir)
			}
			require.True(t, ok, where)
		}
		require.Empty(t, got.Error, where)
		require.True(t, got.Refilled, "%s: %+v", where, got)
		require.Zero(t, got.Missing, where)
		if len(got.Repairs) > 0 {
			said++
		}
		if strings.HasPrefix(kind, "journal/") {
			require.True(t, got.Digest == want || len(got.Repairs) > 0, "%s: %+v", where, got)
			require.True(t, got.Verified || len(got.Repairs) > 0, where)
		} else {
			require.Equal(t, want, got.Digest, "%s: what the index lost is built again", where)
			require.True(t, got.Verified, "%s: the journal is whole", where)
		}
		require.NoError(t, os.RemoveAll(dir))
	}
	t.Logf("%d of %d said something", said, flips)
	if kind == "journal/.journal" {
		require.Equal(t, flips, said, "every flipped byte of a journal is said")
	}
	require.NoError(t, c.stop())
}

// A copy of a live index whose older write-ahead log is cut while the newest one
// is whole has lost rows from the middle, and its newest cursor does not show it.
func TestOlderWriteAheadLogCut(t *testing.T) {
	dir := t.TempDir()
	opt := diskOptions(52, dir, nil)
	opt.SegmentMax = 0
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	image := ""
	var logs []string
	for round := 0; image == "" && round < 60; round++ { // a loaded machine is seldom caught at it
		var drafts []Draft
		for i := range 6000 {
			drafts = append(drafts, received(fmt.Sprintf("BAG%d-%d", round, i), "P", fmt.Sprintf("H-%d-%d", round, i)))
			if len(drafts) == 500 {
				_, err := s.Append(t.Context(), drafts...)
				require.NoError(t, err)
				drafts = nil
			}
		}
		image, logs = copyWithTwoLogs(t, s, dir)
	}
	require.NotEmpty(t, image, "no moment with two write-ahead logs was met")
	want := digest(t, s)
	require.NoError(t, s.Close())

	for i := range testrun.Of(1, 4) {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Parallel()
			cut := copyDir(t, image)
			path := filepath.Join(cut, logs[0])
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			used := len(bytes.TrimRight(b, "\x00"))
			b[used*(i+1)/6] ^= 0x10
			require.NoError(t, os.WriteFile(path, b, 0o600))
			opt := opt
			opt.Dir = cut
			s, err := Open(t.Context(), opt)
			require.NoError(t, err)
			require.Equal(t, want, digest(t, s))
			require.NoError(t, s.Close())
		})
	}
}

// copyWithTwoLogs catches up and copies the directory at a moment at which the
// index has two write-ahead logs; empty when there was none.
func copyWithTwoLogs(t *testing.T, s *Store, dir string) (image string, logs []string) {
	done := make(chan error, 1)
	go func() { done <- s.CatchUp(context.Background()) }()
	for {
		select {
		case err := <-done:
			require.NoError(t, err)
			return "", nil
		default:
		}
		if list, _ := filepath.Glob(filepath.Join(dir, "index", "tables", "*.mem")); len(list) < 2 {
			continue
		}
		if image, logs = copyIndex(t, dir); image != "" {
			require.NoError(t, <-done)
			journals := copyDir(t, filepath.Join(dir, "journal"))
			require.NoError(t, os.RemoveAll(filepath.Join(image, "journal")))
			require.NoError(t, os.Rename(journals, filepath.Join(image, "journal")))
			return image, logs
		}
	}
}

// copyIndex copies the index; empty when a file went away meanwhile or there are
// not two write-ahead logs in the copy.
func copyIndex(t *testing.T, dir string) (image string, logs []string) {
	to := t.TempDir()
	tables := filepath.Join(to, "index", "tables")
	require.NoError(t, os.MkdirAll(tables, 0o700))
	// The manifest first: tables that are written later are not in it.
	list, err := filepath.Glob(filepath.Join(dir, "index", "tables", "*"))
	require.NoError(t, err)
	for _, manifestOnly := range []bool{true, false} {
		for _, path := range list {
			if strings.HasSuffix(path, "MANIFEST") != manifestOnly {
				continue
			}
			b, err := os.ReadFile(path)
			if err != nil {
				return "", nil
			}
			name := filepath.Base(path)
			require.NoError(t, os.WriteFile(filepath.Join(tables, name), b, 0o600))
			if strings.HasSuffix(name, ".mem") && len(bytes.TrimRight(b, "\x00")) > 64<<10 {
				logs = append(logs, filepath.Join("index", "tables", name))
			}
		}
	}
	if len(logs) < 2 {
		return "", nil
	}
	return to, logs
}

// TestMissingCountsRecordsThatAreGone: those below what can be read and those at the end.
func TestMissingCountsRecordsThatAreGone(t *testing.T) {
	tip := func(seq uint64) exchange.Tip { return exchange.Tip{Seq: seq, Hash: event.Hash{byte(seq), 1}} }
	for name, row := range map[string]struct {
		gaps *gaps
		want uint64
	}{
		"a whole log":         {nil, 0},
		"two gaps":            {&gaps{missing: []exchange.SeqRange{{From: 3, To: 3}, {From: 7, To: 9}}}, 4},
		"its end":             {&gaps{lost: []exchange.Tip{tip(9)}, last: tip(6)}, 3},
		"a gap and its end":   {&gaps{missing: []exchange.SeqRange{{From: 1, To: 2}}, lost: []exchange.Tip{tip(9)}, last: tip(8)}, 3},
		"nothing can be read": {&gaps{lost: []exchange.Tip{tip(9)}}, 10},
		"it cannot be told":   {&gaps{branch: true}, 1},
	} {
		require.Equal(t, row.want, row.gaps.count(), name)
	}
}
