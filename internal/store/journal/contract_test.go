package journal_test

import (
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// disks are the file layers the contract holds for.
var disks = map[string]func(t *testing.T, o *journal.Options){
	"memory": func(*testing.T, *journal.Options) {},
	"real": func(t *testing.T, o *journal.Options) {
		o.FS, o.Dir = journal.OSFS{}, filepath.Join(t.TempDir(), "a", "journal")
	},
}

func eachDisk(t *testing.T, run func(t *testing.T, o journal.Options)) {
	for name, prepare := range disks {
		t.Run(name, func(t *testing.T) {
			eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
				o := options(memfs.New())
				prepare(t, &o)
				run(t, o)
			})
		})
	}
}

func TestCommitThenRead(t *testing.T) {
	eachDisk(t, func(t *testing.T, o journal.Options) {
		j, report := mustOpen(t, o)
		require.Equal(t, journal.Report{}, report)
		require.True(t, j.End().IsZero())
		want := texts(60, 200)
		var positions []journal.Position
		for i := 0; i < len(want); i += 3 {
			positions = append(positions, mustCommit(t, j, want[i:i+3]...)...)
		}
		checkContents(t, j, want, positions)
		require.NoError(t, j.Close())

		j, report = mustOpen(t, o)
		require.Greater(t, report.Segments, 2, "the segments must have rolled")
		require.Empty(t, report.Damaged)
		require.Zero(t, report.TornBytes)
		checkContents(t, j, want, positions)
		positions = append(positions, mustCommit(t, j, "one more")...)
		checkContents(t, j, append(want, "one more"), positions)
		require.NoError(t, j.Close())
	})
}

// checkContents reads everything by scan, by position and by following next.
func checkContents(t *testing.T, j *journal.Journal, want []string, positions []journal.Position) {
	t.Helper()
	got, damaged := readAll(t, j, journal.Position{})
	require.Empty(t, damaged)
	require.Equal(t, want, got)
	var buf []byte
	next := positions[0]
	for i, p := range positions {
		require.Equal(t, p, next)
		frame, following, err := j.ReadAt(p, buf)
		require.NoError(t, err)
		require.Equal(t, want[i], string(frame))
		if i > 0 {
			require.Positive(t, p.Compare(positions[i-1]))
		}
		buf, next = frame, following
	}
	require.Equal(t, j.End(), next)
	rest, _ := readAll(t, j, positions[len(positions)/2])
	require.Equal(t, want[len(want)/2:], rest)
	rest, _ = readAll(t, j, j.End())
	require.Empty(t, rest)
}

func TestReopenGoesOnInTheSameSegment(t *testing.T) {
	eachDisk(t, func(t *testing.T, o journal.Options) {
		var want []string
		for i := range 5 {
			j, _ := mustOpen(t, o)
			want = append(want, text(i, 20))
			mustCommit(t, j, text(i, 20))
			got, _ := readAll(t, j, journal.Position{})
			require.Equal(t, want, got)
			require.NoError(t, j.Close())
		}
		j, report := mustOpen(t, o)
		require.Equal(t, 1, report.Segments)
		require.NoError(t, j.Close())
	})
}

func TestPositionsOutsideAreNotFound(t *testing.T) {
	eachDisk(t, func(t *testing.T, o journal.Options) {
		j, _ := mustOpen(t, o)
		p := mustCommit(t, j, "a")[0]
		for _, bad := range []journal.Position{{}, {Segment: 1}, j.End(), {Segment: 2, Offset: 80}, {Segment: 9, Offset: 9}} {
			_, _, err := j.ReadAt(bad, nil)
			require.ErrorIs(t, err, journal.ErrNotFound, "%v", bad)
		}
		_, _, err := j.ReadAt(journal.Position{Segment: 1, Offset: p.Offset + 1}, nil)
		require.ErrorIs(t, err, journal.ErrDamaged)
		err = j.Scan(journal.Position{Segment: 1, Offset: j.End().Offset + 1}, nil, nil)
		require.ErrorIs(t, err, journal.ErrNotFound)
		require.NoError(t, j.Close())
	})
}

func TestBoundsAreRefused(t *testing.T) {
	j, _ := mustOpen(t, plain(memfs.New()))
	big := make([]byte, journal.MaxFrame)
	for name, frames := range map[string][][]byte{
		"empty":     {[]byte("a"), {}},
		"too long":  {make([]byte, journal.MaxFrame+1)},
		"too heavy": {big, big, big, big, big, big, big, big, big, big, big, big, big, big, big, big},
	} {
		_, err := j.Commit(frames)
		require.ErrorIs(t, err, journal.ErrTooLarge, name)
	}
	require.True(t, j.End().IsZero())
	positions, err := j.Commit([][]byte{big, big})
	require.NoError(t, err)
	frame, _, err := j.ReadAt(positions[1], nil)
	require.NoError(t, err)
	require.Equal(t, big, frame)
	positions, err = j.Commit(nil)
	require.NoError(t, err)
	require.Empty(t, positions)
}

func TestClosedJournalRefuses(t *testing.T) {
	j, _ := mustOpen(t, plain(memfs.New()))
	p := mustCommit(t, j, "a")[0]
	require.NoError(t, j.Close())
	require.NoError(t, j.Close())
	_, err := j.Commit([][]byte{[]byte("b")})
	require.ErrorIs(t, err, journal.ErrClosed)
	_, _, err = j.ReadAt(p, nil)
	require.ErrorIs(t, err, journal.ErrClosed)
	require.ErrorIs(t, j.Scan(journal.Position{}, nil, nil), journal.ErrClosed)
}

func TestKeyIsDecidedAtCreation(t *testing.T) {
	other := []byte(strings.Repeat("k", 32))
	cases := map[string]struct {
		made, opened func(journal.FS) journal.Options
		says         string
	}{
		"plain with a key":  {plain, sealed, "not encrypted"},
		"sealed without":    {sealed, plain, "no key was given"},
		"another key id":    {sealed, func(fs journal.FS) journal.Options { o := sealed(fs); o.KeyID = "x"; return o }, `"clinic-1", not "x"`},
		"same id, bad key":  {sealed, func(fs journal.FS) journal.Options { o := sealed(fs); o.Key = other; return o }, "does not authenticate"},
		"a key of 16 bytes": {sealed, func(fs journal.FS) journal.Options { o := sealed(fs); o.Key = other[:16]; return o }, "32 bytes"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			fs := memfs.New()
			j, _ := mustOpen(t, c.made(fs))
			mustCommit(t, j, "a")
			require.NoError(t, j.Close())
			_, _, err := journal.Open(c.opened(fs))
			require.ErrorIs(t, err, journal.ErrKey)
			require.ErrorContains(t, err, c.says)
			j, _ = mustOpen(t, c.made(fs))
			got, _ := readAll(t, j, journal.Position{})
			require.Equal(t, []string{"a"}, got)
		})
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for name, spoil := range map[string]func(*journal.Options){
		"no disk":       func(o *journal.Options) { o.FS = nil },
		"no dir":        func(o *journal.Options) { o.Dir = "" },
		"no clock":      func(o *journal.Options) { o.Now = nil },
		"tiny segments": func(o *journal.Options) { o.SegmentBytes = 1 },
		"huge segments": func(o *journal.Options) { o.SegmentBytes = 1 << 31 },
		"long key id":   func(o *journal.Options) { o.KeyID = strings.Repeat("k", 17) },
	} {
		o := plain(memfs.New())
		spoil(&o)
		_, _, err := journal.Open(o)
		require.Error(t, err, name)
	}
}

func TestReadersRunBesideCommits(t *testing.T) {
	eachDisk(t, func(t *testing.T, o journal.Options) {
		j, _ := mustOpen(t, o)
		mustCommit(t, j, text(0, 300))
		var wg sync.WaitGroup
		for range 3 {
			wg.Go(func() {
				for range 20 {
					n := 0
					err := j.Scan(journal.Position{}, func(p journal.Position, f []byte) error {
						if want := text(n, 300); want != string(f) {
							t.Errorf("frame %d at %v is %.20q", n, p, f)
						}
						n++
						_, _, err := j.ReadAt(p, nil)
						return err
					}, nil)
					if err != nil {
						t.Error(err)
					}
				}
			})
		}
		for i := 1; i < 100; i++ {
			mustCommit(t, j, text(i, 300))
		}
		wg.Wait()
		require.NoError(t, j.Close())
	})
}

func TestPositionEncoding(t *testing.T) {
	p, q := journal.Position{Segment: 1, Offset: 1 << 31}, journal.Position{Segment: 2}
	require.Negative(t, p.Compare(q))
	require.Less(t, string(p.Encode()), string(q.Encode()))
	back, err := journal.DecodePosition(p.Encode())
	require.NoError(t, err)
	require.Equal(t, p, back)
	_, err = journal.DecodePosition(p.Encode()[1:])
	require.Error(t, err)
}
