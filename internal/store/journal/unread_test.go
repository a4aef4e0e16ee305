package journal_test

import (
	"errors"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// errDisk is what a failing disk answers.
var errDisk = errors.New("input/output error")

// badSector makes a disk that cannot read the bytes [from, to) of a segment.
func badSector(fs *memfs.FS, n int, from, to int64) {
	fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Read && op.Path == segmentPath(n) && op.Offset < to && op.Offset+int64(op.Size) > from {
			return memfs.Fault{Err: errDisk}
		}
		return memfs.Fault{}
	})
}

// What the disk cannot read is a damaged range like any other: named with the
// disk's own words, and passed; all around it is read.
func TestABadSectorIsDamage(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs := memfs.New()
		o := options(fs)
		o.SegmentBytes = 1 << 20
		j, _ := mustOpen(t, o)
		want := texts(300, 300)
		at := mustCommit(t, j, want...)
		badSector(fs, 1, 40<<10, 40<<10+1)

		frames, damaged := readAll(t, j, journal.Position{})
		require.Len(t, damaged, 1)
		require.Contains(t, damaged[0].Reason, errDisk.Error())
		require.LessOrEqual(t, damaged[0].From.Offset, uint32(40<<10))
		require.Greater(t, damaged[0].To.Offset, uint32(40<<10))
		require.Less(t, damaged[0].To.Offset-damaged[0].From.Offset, uint32(6<<10), "one sector and the frames that reach into it")
		require.Greater(t, len(frames), 280)

		lost := 0
		for i, p := range at {
			frame, _, err := j.ReadAt(p, nil)
			if err == nil {
				require.Equal(t, want[i], string(frame))
				continue
			}
			require.ErrorIs(t, err, journal.ErrDamaged)
			require.ErrorIs(t, err, errDisk)
			lost++
		}
		require.InDelta(t, 1, lost, 1)
		read := 0
		err := j.ReadEach(at, func(int, []byte) error { read++; return nil })
		require.ErrorIs(t, err, journal.ErrDamaged)
		require.Greater(t, read, 100)
		require.NoError(t, j.Close())
	})
}

// A journal on such a disk opens. What could not be read at its end is no torn
// write: nothing is written over it, and it is there when the disk reads again.
func TestABadEndIsNotTorn(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		for _, name := range []string{"the end", "the header", "all"} {
			t.Run(name, func(t *testing.T) {
				fs := memfs.New()
				o := options(fs)
				o.SegmentBytes = 1 << 20
				j, _ := mustOpen(t, o)
				want := texts(30, 300)
				mustCommit(t, j, want[:10]...)
				mustCommit(t, j, want[10:]...)
				require.NoError(t, j.Close())
				size := fileSize(t, fs, 1)
				switch name {
				case "all":
					fs.SetHook(func(op memfs.Op) memfs.Fault {
						if op.Kind == memfs.OpenRead && op.Path == segmentPath(1) {
							return memfs.Fault{Err: errDisk}
						}
						return memfs.Fault{}
					})
				case "the header":
					badSector(fs, 1, 0, 1)
				default:
					badSector(fs, 1, size-1, size)
				}
				j, report := mustOpen(t, o)
				require.NotEmpty(t, report.Damaged)
				require.Zero(t, report.TornBytes)
				mustCommit(t, j, "later")
				require.Equal(t, size, fileSize(t, fs, 1), "nothing is written over it")
				fs.SetHook(nil)
				whole := func() {
					frames, damaged := readAll(t, j, journal.Position{})
					require.Empty(t, damaged)
					require.Equal(t, append(want, "later"), frames)
				}
				same, err := j.Relook()
				require.NoError(t, err)
				require.True(t, same)
				whole()
				require.NoError(t, j.Close())

				j, report = mustOpen(t, o)
				require.Empty(t, report.Damaged)
				whole()
				require.NoError(t, j.Close())
			})
		}
	})
}

// A read that fails once is made again before anything is called damaged.
func TestAReadIsTriedAgain(t *testing.T) {
	fs := memfs.New()
	j, _ := mustOpen(t, plain(fs))
	at := mustCommit(t, j, "one", "two")
	fails := 1
	fs.SetHook(func(op memfs.Op) memfs.Fault {
		if (op.Kind == memfs.Read || op.Kind == memfs.OpenRead) && fails > 0 {
			fails--
			return memfs.Fault{Err: errDisk}
		}
		return memfs.Fault{}
	})
	frames, damaged := readAll(t, j, journal.Position{})
	require.Empty(t, damaged)
	require.Equal(t, []string{"one", "two"}, frames)
	fails = 1
	_, _, err := j.ReadAt(at[1], nil)
	require.NoError(t, err)
}

// Every operation of an open and of a whole read fails in turn, once and for good:
// the journal opens or says why not, and no byte that was acknowledged is lost.
func TestEachReadFails(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		made := memfs.New()
		j, _ := mustOpen(t, options(made))
		want := texts(40, 400)
		for i := range want {
			mustCommit(t, j, want[i])
		}
		require.NoError(t, j.Close())
		for _, forGood := range []bool{false, true} {
			for n, done := 1, false; !done; n++ {
				fs := made.CrashClone(memfs.Keep)
				count := 0
				fs.SetHook(func(op memfs.Op) memfs.Fault {
					count++
					if (count == n || forGood && count > n) && (op.Kind == memfs.Read || op.Kind == memfs.OpenRead) {
						return memfs.Fault{Err: errDisk}
					}
					return memfs.Fault{}
				})
				j, _, err := journal.Open(options(fs))
				require.NoError(t, err, "operation %d", n)
				frames, damaged := readAll(t, j, journal.Position{})
				if len(frames) < len(want) {
					require.NotEmpty(t, damaged, "operation %d", n)
				}
				if !forGood {
					require.Len(t, frames, len(want), "one failure is made good by another try")
				}
				done = count < n
				mustCommit(t, j, "later")
				require.NoError(t, j.Close())
				fs.SetHook(nil)
				j, _ = mustOpen(t, options(fs))
				frames, _ = readAll(t, j, journal.Position{})
				require.Equal(t, append(append([]string(nil), want...), "later"), frames, "operation %d", n)
				require.NoError(t, j.Close())
			}
		}
	})
}

func fileSize(t *testing.T, fs journal.FS, n int) int64 {
	t.Helper()
	return sizes(t, fs)[filepath.Base(segmentPath(n))]
}

// failing is the fault of an operation that fails.
func failing(fails bool) (f memfs.Fault) {
	if fails {
		f.Err = errDisk
	}
	return f
}

// requireKept gives what a journal shows, and sees that a power cut now would leave it.
func requireKept(t *testing.T, fs *memfs.FS, j *journal.Journal, options func(journal.FS) journal.Options) []string {
	t.Helper()
	read, _ := readAll(t, j, journal.Position{})
	after, _ := mustOpen(t, options(fs.CrashClone(memfs.Lose)))
	kept, _ := readAll(t, after, journal.Position{})
	require.Subset(t, kept, read)
	require.NoError(t, after.Close())
	return read
}

// What was written and could not be synced may be read until the machine stops. A start
// that can read it and cannot write it once more shows it to nobody, nor does a later
// one, until it lies on the disk: whatever is read survives a power cut.
func TestWhatIsReadSurvivesAPowerCut(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		hidden := 0
		for good := range 40 {
			fs := memfs.New()
			j, _ := mustOpen(t, options(fs))
			mustCommit(t, j, texts(3, 700)...)
			fs.SetHook(func(op memfs.Op) memfs.Fault { return failing(op.Kind == memfs.Sync) })
			_, err := j.Commit(rawFrames([]string{"refused"}))
			require.Error(t, err)
			require.NoError(t, j.Close())

			left := good
			fs.SetHook(func(op memfs.Op) memfs.Fault {
				if op.Kind == memfs.Read {
					left--
				}
				return failing(op.Kind == memfs.Read && left < 0)
			})
			j, report, err := journal.Open(options(fs))
			fs.SetHook(nil)
			if err != nil {
				continue
			}
			read := requireKept(t, fs, j, options)
			if len(report.Damaged) > 0 && !slices.Contains(read, "refused") {
				hidden++
			}
			mustCommit(t, j, "after")
			requireKept(t, fs, j, options)
			require.NoError(t, j.Close())

			fs.SetHook(func(op memfs.Op) memfs.Fault {
				return failing(len(report.Damaged) > 0 && op.Kind == memfs.Write && op.Path == segmentPath(1))
			})
			j, _ = mustOpen(t, options(fs))
			fs.SetHook(nil)
			requireKept(t, fs, j, options)
			same, err := j.Relook()
			require.NoError(t, err)
			if same {
				require.Contains(t, requireKept(t, fs, j, options), "after")
			}
			require.NoError(t, j.Close())
		}
		require.Positive(t, hidden)
	})
}
