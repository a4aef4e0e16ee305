package journal_test

import (
	"bytes"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

const dir = "j"

var testKey = bytes.Repeat([]byte{7}, 32)

func noon() time.Time { return time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC) }

// plain and sealed are the two kinds of journal every law holds for.
func plain(fs journal.FS) journal.Options {
	return journal.Options{FS: fs, Dir: dir, Now: noon, SegmentBytes: 4 << 10}
}

func sealed(fs journal.FS) journal.Options {
	o := plain(fs)
	o.Key, o.KeyID = testKey, "clinic-1"
	return o
}

var kinds = map[string]func(journal.FS) journal.Options{"plain": plain, "sealed": sealed}

// eachKind runs a test on a plain and on an encrypted journal.
func eachKind(t *testing.T, run func(t *testing.T, options func(journal.FS) journal.Options)) {
	for name, options := range kinds {
		t.Run(name, func(t *testing.T) { run(t, options) })
	}
}

func mustOpen(t require.TestingT, o journal.Options) (*journal.Journal, journal.Report) {
	j, report, err := journal.Open(o)
	require.NoError(t, err)
	return j, report
}

func mustCommit(t require.TestingT, j *journal.Journal, frames ...string) []journal.Position {
	positions, err := j.Commit(rawFrames(frames))
	require.NoError(t, err)
	require.Len(t, positions, len(frames))
	return positions
}

func rawFrames(frames []string) [][]byte {
	raw := make([][]byte, len(frames))
	for i, f := range frames {
		raw[i] = []byte(f)
	}
	return raw
}

// readAll gives every frame in order and every damaged stretch.
func readAll(t require.TestingT, j *journal.Journal, from journal.Position) (frames []string, damaged []journal.Range) {
	err := j.Scan(from, func(_ journal.Position, f []byte) error {
		frames = append(frames, string(f))
		return nil
	}, func(from, to journal.Position, reason string) error {
		damaged = append(damaged, journal.Range{From: from, To: to, Reason: reason})
		return nil
	})
	require.NoError(t, err)
	return frames, damaged
}

// text is a frame of a given size that tells which one it is.
func text(i, size int) string {
	s := fmt.Sprintf("frame %d ", i)
	return s + string(bytes.Repeat([]byte{byte('a' + i%26)}, max(0, size-len(s))))
}

func texts(n, size int) []string {
	out := make([]string, n)
	for i := range out {
		out[i] = text(i, size)
	}
	return out
}

func segmentPath(n int) string { return filepath.Join(dir, fmt.Sprintf("%010d.journal", n)) }

// sizes lists the segment files of a disk.
func sizes(t require.TestingT, fs journal.FS) map[string]int64 {
	entries, err := fs.ReadDir(dir)
	require.NoError(t, err)
	out := map[string]int64{}
	for _, e := range entries {
		if filepath.Ext(e.Name) == ".journal" {
			out[e.Name] = e.Size
		}
	}
	return out
}

// reopened opens the disk as it is after a crash.
func reopened(t require.TestingT, fs *memfs.FS, options func(journal.FS) journal.Options, choose memfs.Choose) (*journal.Journal, journal.Report) {
	return mustOpen(t, options(fs.CrashClone(choose)))
}
