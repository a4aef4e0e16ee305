package store

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// crowded is an index on a disk that is nearly full, once told so.
type crowded struct {
	index.Index
	full bool
}

func (c *crowded) Update(fn func(index.Writer) error) error {
	if c.full {
		return index.ErrNoSpace
	}
	return c.Index.Update(fn)
}

// Close keeps it for the next start.
func (c *crowded) Close() error { return nil }

// Tonight's records go in and come out in answers while the index has no room;
// a replica opened in that state answers from memory with all of them.
func TestFullDiskKeepsTakingRecords(t *testing.T) {
	fs := memfs.New()
	ix := &crowded{Index: index.NewMemory()}
	s, err := Open(t.Context(), memoryOptions(9, fs, ix))
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	before := digest(t, s)
	ix.full = true
	_, err = s.Append(t.Context(), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	require.NotEqual(t, before, digest(t, s), "the answer has what was saved a moment ago")
	require.ErrorIs(t, s.Trouble(), index.ErrNoSpace)
	left, short := s.Room()
	require.True(t, short)
	require.Positive(t, left)
	require.Contains(t, strings.Join(s.Repairs(), "\n"), "the disk is nearly full")
	require.NoError(t, s.Close())

	s, err = Open(t.Context(), memoryOptions(9, fs, &crowded{Index: index.NewMemory(), full: true}))
	require.NoError(t, err)
	require.Equal(t, int64(4), s.Records())
	require.NotEqual(t, before, digest(t, s))
	require.NoError(t, s.Close())
}

// What waited in memory is in the index once there is room, and a stop before that
// loses nothing: the journal has it.
func TestWhatWaitedForRoomIsWrittenDown(t *testing.T) {
	fs := memfs.New()
	ix := &crowded{Index: index.NewMemory()}
	s, err := Open(t.Context(), memoryOptions(9, fs, ix))
	require.NoError(t, err)
	ix.full = true
	for _, bag := range []string{"BAG1", "BAG2", "BAG3"} {
		_, err = s.Append(t.Context(), received(bag, "P", "H-1"))
		require.NoError(t, err)
	}
	full := digest(t, s)
	stopped, err := Open(t.Context(), memoryOptions(9, fs.CrashClone(memfs.Lose), index.NewMemory()))
	require.NoError(t, err)
	require.Equal(t, full, digest(t, stopped))
	require.NoError(t, stopped.Close())

	ix.full = false
	_, err = s.Append(t.Context(), received("BAG4", "P", "H-1"))
	require.NoError(t, err)
	now := digest(t, s)
	require.NoError(t, s.Trouble())
	_, short := s.Room()
	require.False(t, short)
	require.NoError(t, s.Close())
	again, err := Open(t.Context(), memoryOptions(9, fs, ix))
	require.NoError(t, err)
	require.Equal(t, now, digest(t, again))
	require.Empty(t, again.Repairs())
	require.NoError(t, again.Close())
}

// A journal that lost its end is noticed also when the index has no room to say so
// to the disk: no number is used twice.
func TestFullDiskStillNoticesALostEnd(t *testing.T) {
	fs, ix := memfs.New(), &crowded{Index: index.NewMemory()}
	s, err := Open(t.Context(), memoryOptions(10, fs, ix))
	require.NoError(t, err)
	older := fs.CrashClone(memfs.Keep)
	_, err = s.Append(t.Context(), received("GONE", "P", "H-1"))
	require.NoError(t, err)
	digest(t, s)
	own := s.OwnLogs()

	ix.full = true
	opt := memoryOptions(10, older, ix)
	opt.Random = chacha(98)
	back, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for _, id := range back.OwnLogs() {
		require.NotContains(t, own, id)
	}
	require.NoError(t, back.Close())
}

// While the index is kept in memory it witnesses nothing of what is saved. The small
// file beside the journal does: a segment that goes then is missed at the next start.
func TestALostEndIsNoticedThatTheIndexNeverSaw(t *testing.T) {
	ix := &crowded{Index: index.NewMemory()}
	opt := memoryOptions(11, journal.OSFS{}, ix)
	opt.Dir, opt.SegmentMax = t.TempDir(), 4<<10
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	own, files := s.OwnLogs(), 1
	ix.full = true
	for n := 0; files == 1; n++ {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", n), "P", "H-1"))
		require.NoError(t, err)
		files = len(segmentsOf(t, opt.Dir))
	}
	digest(t, s)
	require.ErrorIs(t, s.Trouble(), index.ErrNoSpace)
	require.NoError(t, s.Close())
	require.NoError(t, os.Remove(segmentsOf(t, opt.Dir)[1]))

	opt.Random = chacha(97)
	back, err := Open(t.Context(), opt)
	require.NoError(t, err)
	require.Contains(t, strings.Join(back.Repairs(), "\n"), "are gone from this disk")
	for _, id := range back.OwnLogs() {
		require.NotContains(t, own, id)
	}
	require.NoError(t, back.Close())
}

// A segment goes, and the header of the next one, which says how far it reached, was
// damaged before: the store opens, says so, and folds on, though its index still names
// what lay there.
func TestALostSegmentNobodyVouchesFor(t *testing.T) {
	opt := memoryOptions(12, journal.OSFS{}, &crowded{Index: index.NewMemory()})
	opt.Dir, opt.SegmentMax = t.TempDir(), 4<<10
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for n := 0; len(segmentsOf(t, opt.Dir)) < 4; n++ {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", n), "P", "H-1"))
		require.NoError(t, err)
	}
	digest(t, s)
	require.NoError(t, s.Close())
	segments := segmentsOf(t, opt.Dir)
	header, err := os.ReadFile(segments[2])
	require.NoError(t, err)
	header[20] ^= 1
	require.NoError(t, os.WriteFile(segments[2], header, 0o600))
	opt.Random = chacha(95)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.NoError(t, os.Remove(segments[1]))

	opt.Random = chacha(96)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.Contains(t, strings.Join(s.Repairs(), "\n"), "segment file is missing")
	_, err = s.Append(t.Context(), hold("P", "H-1"))
	require.NoError(t, err)
	digest(t, s)
	require.NoError(t, s.Scrub(t.Context()))
	require.NoError(t, s.Close())
}

func segmentsOf(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "journal", "*.journal"))
	require.NoError(t, err)
	return list
}

// One folder has one writer, also when the disk had no room for an index whose
// lock would say so.
func TestOneFolderHasOneWriter(t *testing.T) {
	dir := t.TempDir()
	opt := func() Options {
		o := memoryOptions(9, nil, index.NewMemory())
		o.FS, o.Dir = nil, dir
		return o
	}
	first, err := Open(t.Context(), opt())
	require.NoError(t, err)
	for range 2 { // the refused one does not take the lock away
		_, err = Open(t.Context(), opt())
		require.ErrorIs(t, err, ErrLocked)
		require.ErrorContains(t, err, dir)
	}
	_, err = first.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, first.Close())
	second, err := Open(t.Context(), opt())
	require.NoError(t, err)
	require.NoError(t, second.Close())
}

// A replica that lost records of its own and has no room for new logs is read all the
// same. It writes on in none of its old logs: the first record for which there is room
// begins new ones.
func TestALossOnAFullDiskStopsNobody(t *testing.T) {
	fs := memfs.New()
	opt := memoryOptions(9, fs, index.NewMemory())
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"), received("BAG3", "P", "H-1"))
	require.NoError(t, err)
	at, was := positionOf(t, s, recs[1]), s.OwnLogs()
	require.NoError(t, s.Close())
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(at.Offset)+20, 1))
	require.NoError(t, fs.Remove("replica/journal/reserve"))
	fs.SetCapacity(1)

	opt.Index, opt.Random = index.NewMemory(), chacha(95)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.NotEmpty(t, digest(t, s), "what is here is read")
	_, err = s.Append(t.Context(), received("BAG4", "P", "H-1"))
	require.ErrorIs(t, err, journal.ErrNoSpace)
	fs.SetCapacity(0)
	recs, err = s.Append(t.Context(), received("BAG4", "P", "H-1"))
	require.NoError(t, err)
	require.NotContains(t, was, recs[0].Log)
	require.Len(t, s.OwnLogs(), 2)
	require.NoError(t, s.Close())
}
