package journal_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

func hasReserve(t *testing.T, fs journal.FS) bool {
	entries, err := fs.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Name == "reserve" {
			return e.Size == 1<<20
		}
	}
	return false
}

// TestFullDisk fills the disk, goes on in the reserve, runs out of that too,
// and recovers when there is room again.
func TestFullDisk(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs := memfs.New()
		now := noon()
		o := options(fs)
		o.SegmentBytes, o.Now = 256<<10, func() time.Time { return now }
		fs.SetCapacity(1<<20 + 100<<10)
		j, _ := mustOpen(t, o)
		require.False(t, j.ReserveUsed())
		require.True(t, hasReserve(t, fs))

		var want []string
		for !j.ReserveUsed() { // the disk fills: nobody notices but ReserveUsed
			want = append(want, text(len(want), 5000))
			mustCommit(t, j, want[len(want)-1])
		}
		require.Greater(t, len(want), 18)
		require.False(t, hasReserve(t, fs))

		now = now.Add(time.Hour) // not enough room for a new reserve: not an error
		want = append(want, text(len(want), 5000))
		mustCommit(t, j, want[len(want)-1])
		require.True(t, j.ReserveUsed())

		var err error
		for err == nil { // the reserve is used up
			f := text(len(want), 5000)
			if _, err = j.Commit([][]byte{[]byte(f)}); err == nil {
				want = append(want, f)
			}
		}
		require.ErrorIs(t, err, journal.ErrNoSpace)
		require.Greater(t, len(want), 200, "the reserve took a night's records")
		got, damaged := readAll(t, j, journal.Position{})
		require.Equal(t, want, got)
		require.Empty(t, damaged)

		fs.SetCapacity(0)
		now = now.Add(2 * time.Minute)
		mustCommit(t, j, "later")
		require.False(t, j.ReserveUsed())
		require.True(t, hasReserve(t, fs))
		require.NoError(t, j.Close())
		j, report := mustOpen(t, o)
		require.Empty(t, report.Damaged)
		got, _ = readAll(t, j, journal.Position{})
		require.Equal(t, append(want, "later"), got)
	})
}

func TestOpenOnAFullDisk(t *testing.T) {
	fs := memfs.New()
	j, _ := mustOpen(t, plain(fs))
	mustCommit(t, j, "a")
	require.NoError(t, j.Close())
	require.NoError(t, fs.Remove(filepath.Join(dir, "reserve")))
	fs.SetCapacity(1000)
	j, _ = mustOpen(t, plain(fs))
	require.True(t, j.ReserveUsed())
	require.False(t, hasReserve(t, fs))
	got, _ := readAll(t, j, journal.Position{})
	require.Equal(t, []string{"a"}, got)
	mustCommit(t, j, "b")
}
