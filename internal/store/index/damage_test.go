package index

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/testrun"
)

// childVariable makes the test binary a child that opens what it is told to:
// some damage makes Badger panic where nothing can recover it, and that must not
// take the test with it.
const childVariable = "THAWTRAIL_TEST_OPENS_INDEXES"

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" {
		serveOpens(os.Stdin, os.Stdout)
		return
	}
	if dir := os.Getenv(fillVariable); dir != "" {
		if err := keepWriting(dir, os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// serveOpens opens each directory named on a line and answers what it holds.
func serveOpens(in io.Reader, out io.Writer) {
	for lines := bufio.NewScanner(in); lines.Scan(); {
		key, dir, _ := strings.Cut(lines.Text(), " ")
		o := Options{Dir: dir}
		if key == "encrypted" {
			o.Key = testKey
		}
		fmt.Fprintln(out, openAndCount(o))
	}
}

// found is a child's answer: the state, the entries, and how many of them are wrong.
type found struct {
	state        State
	right, wrong int
}

func (f found) String() string { return fmt.Sprintf("%d %d %d", f.state, f.right, f.wrong) }

func openAndCount(o Options) string {
	ix, opened, err := Open(o)
	if err != nil {
		return "error " + strings.ReplaceAll(err.Error(), "\n", " ")
	}
	f := found{state: opened.State}
	err = ix.View(func(r Reader) error {
		return r.Scan(nil, nil, false, func(k, v []byte) (bool, error) {
			if bytes.Equal(v, valueOf(k)) {
				f.right++
			} else {
				f.wrong++
			}
			return true, nil
		})
	})
	if err = errors.Join(err, ix.Close()); err != nil {
		return "error " + strings.ReplaceAll(err.Error(), "\n", " ")
	}
	return f.String()
}

// valueOf is the only right value of a key.
func valueOf(key []byte) []byte {
	sum := sha256.Sum256(key)
	return bytes.Repeat(sum[:], 1+int(sum[0])%8)
}

// child is a process that opens indexes.
type child struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Scanner
}

func startChild(t *testing.T) *child {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childVariable+"=1")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	return &child{cmd, in, bufio.NewScanner(out)}
}

// open asks for one index; not ok when the child died of it.
func (c *child) open(t *testing.T, o Options) (found, bool) {
	kind := "plain"
	if o.Key != nil {
		kind = "encrypted"
	}
	_, err := fmt.Fprintln(c.in, kind, o.Dir)
	require.NoError(t, err)
	if !c.out.Scan() {
		return found{}, false
	}
	var f found
	_, err = fmt.Sscan(c.out.Text(), &f.state, &f.right, &f.wrong)
	require.NoError(t, err, c.out.Text())
	return f, true
}

func (c *child) stop() error { return errors.Join(c.in.Close(), c.cmd.Wait()) }

const (
	closedKeys   = 1500 // in tables
	unclosedKeys = 800  // in a write-ahead log
)

// images makes an index that was closed and one that was not.
func images(t *testing.T, o Options) (closed, unclosed string) {
	ix := mustOpen(t, o, Fresh)
	fillValues(t, ix, 0, closedKeys)
	require.NoError(t, ix.Close())
	closed = copyDir(t, o.Dir)
	ix = mustOpen(t, o, Clean)
	fillValues(t, ix, closedKeys, closedKeys+unclosedKeys)
	unclosed = copyDir(t, o.Dir)
	require.NoError(t, ix.Close())
	return closed, unclosed
}

func fillValues(t *testing.T, ix Index, from, to int) {
	for i := from; i < to; i += 50 {
		require.NoError(t, ix.Update(func(w Writer) error {
			for k := i; k < i+50; k++ {
				key := fmt.Appendf(nil, "key %d", k)
				if err := w.Set(key, valueOf(key)); err != nil {
					return err
				}
			}
			return nil
		}))
	}
}

// TestFlippedBytes flips one byte at some places of each kind of file (at fewer when
// it is encrypted), after a clean stop and after a kill. No wrong value is ever read.
// After a clean stop the index is the same or begun anew. After a kill it may also have lost
// updates, even from the middle, and say nothing: see Unclean.
func TestFlippedBytes(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		closed, unclosed := images(t, o)
		run := flipRun{t: t, o: o, scratch: filepath.Join(t.TempDir(), "ix"), child: startChild(t), flips: testrun.Of(2, 8)}
		if o.Key == nil {
			run.flips = testrun.Of(4, 40)
		}
		run.all(closed, closedKeys, true)
		run.all(unclosed, closedKeys+unclosedKeys, false)
		require.NoError(t, run.child.stop())
		require.Positive(t, run.rebuilt)
		t.Logf("of %d flips %d were found, %d harmless, %d lost updates, the process died %d times",
			run.tried, run.rebuilt, run.same, run.fewer, run.killed)
	})
}

type flipRun struct {
	t       *testing.T
	o       Options
	scratch string
	child   *child
	flips   int

	tried, rebuilt, same, fewer, killed int
}

// all flips bytes in every file of an image.
func (r *flipRun) all(image string, keys int, clean bool) {
	require.NoError(r.t, filepath.WalkDir(image, func(path string, d os.DirEntry, err error) error {
		name, _ := filepath.Rel(image, path)
		if err != nil || d.IsDir() || name == lockName {
			return err
		}
		content, err := os.ReadFile(path)
		size := max(len(bytes.TrimRight(content, "\x00")), min(len(content), r.flips))
		for i := range min(r.flips, size) {
			r.one(image, name, i*size/min(r.flips, size), keys, clean)
		}
		return err
	}))
}

func (r *flipRun) one(image, name string, off, keys int, clean bool) {
	require.NoError(r.t, os.RemoveAll(r.scratch))
	copySparse(r.t, image, r.scratch)
	flip(r.t, filepath.Join(r.scratch, name), off)
	o := r.o
	o.Dir = r.scratch
	f, ok := r.child.open(r.t, o)
	for try := 0; !ok; try++ {
		require.Less(r.t, try, openingCrashes, "%s byte %d: kills every process", name, off)
		r.killed++
		require.Error(r.t, r.child.stop())
		r.child = startChild(r.t)
		f, ok = r.child.open(r.t, o)
	}
	r.judge(f, fmt.Sprintf("%s byte %d", name, off), keys, clean)
}

func (r *flipRun) judge(f found, place string, keys int, clean bool) {
	r.tried++
	require.Zero(r.t, f.wrong, place)
	switch {
	case f.state == Rebuilt:
		require.Zero(r.t, f.right, place)
		r.rebuilt++
	case f.right == keys:
		r.same++
	default:
		require.False(r.t, clean, "%s: %d of %d keys and no word of it", place, f.right, keys)
		require.Equal(r.t, Unclean, f.state, place)
		r.fewer++
	}
}

// TestCutTables cuts tables off, and spoils their ends, after a kill. Badger would panic in a
// goroutine of its own and take the program with it: they are tried before.
func TestCutTables(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		_, unclosed := images(t, o)
		tables, err := filepath.Glob(filepath.Join(unclosed, tablesName, "*.sst"))
		require.NoError(t, err)
		require.NotEmpty(t, tables)
		c := startChild(t)
		try := func(what string, spoil func(was []byte) []byte) {
			scratch := filepath.Join(t.TempDir(), "ix")
			copySparse(t, unclosed, scratch)
			path := filepath.Join(scratch, tablesName, filepath.Base(tables[0]))
			was, err := os.ReadFile(path)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(path, spoil(was), 0o600))
			o := o
			o.Dir = scratch
			f, ok := c.open(t, o)
			require.True(t, ok, "%s: the program ended", what)
			require.Equal(t, Rebuilt, f.state, what)
		}
		size, err := os.Stat(tables[0])
		require.NoError(t, err)
		n := int(size.Size())
		for _, at := range []int{0, 1, 3, 4, 20, n / 3, n / 2, n * 5 / 9, n - 5, n - 1} {
			try(fmt.Sprintf("cut to %d of %d", at, n), func(was []byte) []byte { return was[:at] })
		}
		for _, at := range []int{n - 1, n - 2, n - 8, n - 20, n - 30, blockBytes - 1, blockBytes - 2} {
			if at < n {
				try(fmt.Sprintf("byte %d of %d", at, n), func(was []byte) []byte { was[at] ^= 0x80; return was })
			}
		}
		require.NoError(t, c.stop())
	})
}

func flip(t *testing.T, path string, off int) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	b := make([]byte, 1)
	_, err = f.ReadAt(b, int64(off))
	require.NoError(t, err)
	b[0] ^= 1 << (off % 8)
	_, err = f.WriteAt(b, int64(off))
	require.NoError(t, err)
	require.NoError(t, f.Close())
}

// copySparse copies a directory and leaves out the zeros at the files' ends.
func copySparse(t *testing.T, from, to string) {
	require.NoError(t, filepath.WalkDir(from, func(path string, d os.DirEntry, err error) error {
		name, _ := filepath.Rel(from, path)
		target := filepath.Join(to, name)
		if err != nil || d.IsDir() {
			return errors.Join(err, os.MkdirAll(target, 0o700))
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return errors.Join(os.WriteFile(target, bytes.TrimRight(content, "\x00"), 0o600), os.Truncate(target, int64(len(content))))
	}))
}
