package journal_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// filled is a journal of several segments, closed.
func filled(t require.TestingT, options func(journal.FS) journal.Options) (*memfs.FS, []string, []journal.Position) {
	fs := memfs.New()
	j, _ := mustOpen(t, options(fs))
	want := texts(24, 400)
	var positions []journal.Position
	for i := 0; i < len(want); i += 2 {
		positions = append(positions, mustCommit(t, j, want[i:i+2]...)...)
	}
	require.NoError(t, j.Close())
	require.Greater(t, len(sizes(t, fs)), 2)
	return fs, want, positions
}

// TestFlippedBytes flips bytes all over the files, one at a time. No wrong
// frame is ever given, at most the frame hit is lost, and the loss is reported.
func TestFlippedBytes(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs, want, positions := filled(t, options)
		for name, size := range sizes(t, fs) {
			for off := 0; off < int(size); off += 7 {
				damagedDisk := fs.CrashClone(memfs.Keep)
				require.NoError(t, damagedDisk.Flip(filepath.Join(dir, name), off, byte(1<<(off%8))))
				checkFlip(t, options(damagedDisk), name, off, want, positions)
			}
		}
	})
}

func checkFlip(t *testing.T, o journal.Options, name string, off int, want []string, positions []journal.Position) {
	j, report := mustOpen(t, o)
	got, damaged := readAll(t, j, journal.Position{})
	require.True(t, len(damaged) > 0 || report.TornBytes > 0, "%s byte %d: not noticed", name, off)
	hit := slices.IndexFunc(positions, func(p journal.Position) bool {
		next := o.SegmentBytes * 2
		if i := slices.Index(positions, p) + 1; i < len(positions) && positions[i].Segment == p.Segment {
			next = int(positions[i].Offset)
		}
		return segmentPath(int(p.Segment)) == filepath.Join(dir, name) && off >= int(p.Offset) && off < next
	})
	expect := slices.Clone(want)
	if hit >= 0 {
		expect = slices.Delete(expect, hit, hit+1)
	}
	require.Equal(t, expect, got, "%s byte %d", name, off)
	mustCommit(t, j, "goes on")
	again, _ := readAll(t, j, journal.Position{})
	require.Equal(t, append(expect, "goes on"), again)
	require.NoError(t, j.Close())
}

func TestReadAtFindsDamage(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs, want, positions := filled(t, options)
		for _, off := range []int{0, 3, 4, 8, 12, 16, 50, 300} {
			disk := fs.CrashClone(memfs.Keep)
			require.NoError(t, disk.Flip(segmentPath(1), int(positions[2].Offset)+off, 4))
			j, _ := mustOpen(t, options(disk))
			_, _, err := j.ReadAt(positions[2], nil)
			require.ErrorIs(t, err, journal.ErrDamaged, "byte %d", off)
			frame, _, err := j.ReadAt(positions[3], nil)
			require.NoError(t, err)
			require.Equal(t, want[3], string(frame))
			err = j.Scan(journal.Position{}, func(journal.Position, []byte) error { return nil }, nil)
			require.ErrorIs(t, err, journal.ErrDamaged, "damage is never passed over in silence")
		}
	})
}

// TestForgedChecksum changes a sealed byte and mends both checksums: only the
// seal can tell.
func TestForgedChecksum(t *testing.T) {
	fs, want, positions := filled(t, sealed)
	p := positions[4]
	require.NoError(t, fs.Flip(segmentPath(1), int(p.Offset)+60, 1))
	mendFrame(t, fs, p)
	j, report := mustOpen(t, sealed(fs))
	require.Empty(t, report.Damaged, "not in the last segment, so not read at open")
	_, _, err := j.ReadAt(p, nil)
	require.ErrorIs(t, err, journal.ErrDamaged)
	got, damaged := readAll(t, j, journal.Position{})
	require.Equal(t, slices.Delete(slices.Clone(want), 4, 5), got)
	require.Equal(t, []journal.Range{{From: p, To: positions[5], Reason: "frame does not authenticate"}}, damaged)
}

// mendFrame recomputes a frame's checksums on the disk.
func mendFrame(t *testing.T, fs *memfs.FS, p journal.Position) {
	r, err := fs.OpenRead(segmentPath(int(p.Segment)))
	require.NoError(t, err)
	head := make([]byte, 16)
	_, err = r.ReadAt(head, int64(p.Offset))
	require.NoError(t, err)
	body := make([]byte, int(head[6])<<8|int(head[7]))
	_, err = r.ReadAt(body, int64(p.Offset)+16)
	require.NoError(t, err)
	journal.MendChecksums(head, body, p)
	w, err := fs.OpenWrite(segmentPath(int(p.Segment)))
	require.NoError(t, err)
	_, err = w.WriteAt(head, int64(p.Offset))
	require.NoError(t, err)
}

func TestLostFilesAreNoticed(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		for lost := 1; lost <= 2; lost++ {
			fs, want, positions := filled(t, options)
			require.NoError(t, fs.Remove(segmentPath(lost)))
			j, report := mustOpen(t, options(fs))
			require.Len(t, report.Damaged, 1)
			require.EqualValues(t, lost, report.Damaged[0].From.Segment)
			got, damaged := readAll(t, j, journal.Position{})
			require.Equal(t, report.Damaged, damaged)
			var expect []string
			for i, p := range positions {
				if int(p.Segment) != lost {
					expect = append(expect, want[i])
				}
			}
			require.Equal(t, expect, got)
			_, _, err := j.ReadAt(journal.Position{Segment: uint32(lost), Offset: 80}, nil)
			require.ErrorIs(t, err, journal.ErrDamaged)
		}
	})
}

// A segment is gone and the header of the next one, which says how far it reached, is
// damaged too: what lay there is damage, and no place where nothing ever was.
func TestALostFileNobodyVouchesFor(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		for lost := 1; lost <= 2; lost++ {
			fs, want, positions := filled(t, options)
			require.NoError(t, fs.Remove(segmentPath(lost)))
			if lost == 1 { // of the first two, the second is vouched for by the third
				require.NoError(t, fs.Remove(segmentPath(2)))
			} else {
				require.NoError(t, fs.Flip(segmentPath(lost+1), 20, 1))
			}
			j, report := mustOpen(t, options(fs))
			require.EqualValues(t, lost, report.Damaged[0].From.Segment)
			var expect []string
			for i, p := range positions {
				if int(p.Segment) == lost || lost == 1 && p.Segment == 2 {
					_, _, err := j.ReadAt(p, nil)
					require.ErrorIs(t, err, journal.ErrDamaged)
					require.ErrorIs(t, j.ReadEach([]journal.Position{p}, nil), journal.ErrDamaged)
					_, damaged := readAll(t, j, p)
					require.NotEmpty(t, damaged)
					continue
				}
				expect = append(expect, want[i])
			}
			got, damaged := readAll(t, j, journal.Position{})
			require.Equal(t, expect, got)
			require.Equal(t, report.Damaged, damaged)
			mustCommit(t, j, "goes on")
			require.NoError(t, j.Close())
		}
	})
}

// A segment was cut, and the next one, whose header said how far it reached, is gone or
// spoiled: what lay past the cut is damage too.
func TestACutFileNobodyVouchesFor(t *testing.T) {
	for _, gone := range []bool{true, false} {
		eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
			fs, want, positions := filled(t, options)
			cut := fileBytes(t, fs, "0000000001.journal")[:positions[1].Offset]
			require.NoError(t, fs.Remove(segmentPath(1)))
			writeFile(t, fs, "0000000001.journal", cut)
			if gone {
				require.NoError(t, fs.Remove(segmentPath(2)))
			} else {
				require.NoError(t, fs.Flip(segmentPath(2), 20, 1))
			}
			j, report := mustOpen(t, options(fs))
			require.NotEmpty(t, report.Damaged)
			for _, p := range positions[1:] {
				if p.Segment != 1 {
					break
				}
				_, _, err := j.ReadAt(p, nil)
				require.ErrorIs(t, err, journal.ErrDamaged)
				require.ErrorIs(t, j.ReadEach([]journal.Position{p}, nil), journal.ErrDamaged)
				got, damaged := readAll(t, j, p)
				require.Contains(t, got, want[len(want)-1])
				require.NotEmpty(t, damaged)
			}
			require.NoError(t, j.Close())
		})
	}
}

// TestShortFiles cuts a segment that is not the last, on the real disk.
func TestShortFiles(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		o := options(journal.OSFS{})
		o.Dir = t.TempDir()
		j, _ := mustOpen(t, o)
		want := texts(20, 400)
		for _, f := range want {
			mustCommit(t, j, f)
		}
		require.NoError(t, j.Close())
		path := filepath.Join(o.Dir, filepath.Base(segmentPath(1)))
		info, err := os.Stat(path)
		require.NoError(t, err)
		for _, cut := range []int64{1, 500, info.Size() - 81, info.Size() - 20, info.Size()} {
			require.NoError(t, os.Truncate(path, info.Size()-cut))
			j, report := mustOpen(t, o)
			require.NotEmpty(t, report.Damaged, "cut by %d", cut)
			got, damaged := readAll(t, j, journal.Position{})
			require.NotEmpty(t, damaged)
			require.Subset(t, want, got)
			require.Contains(t, got, want[19])
			require.NoError(t, j.Close())
		}
	})
}

func TestNewerFormatIsRefused(t *testing.T) {
	fs, _, _ := filled(t, plain)
	r, err := fs.OpenRead(segmentPath(2))
	require.NoError(t, err)
	head := make([]byte, 80)
	_, err = r.ReadAt(head, 0)
	require.NoError(t, err)
	head[9] = 2
	journal.MendHeader(head)
	w, err := fs.OpenWrite(segmentPath(2))
	require.NoError(t, err)
	_, err = w.WriteAt(head, 0)
	require.NoError(t, err)
	_, _, err = journal.Open(plain(fs))
	require.ErrorIs(t, err, journal.ErrFormat)
	require.ErrorIs(t, err, journal.ErrNewer)
	require.ErrorContains(t, err, "format version 2")
}

// FuzzOpen takes any bytes for a segment, alone or before another one. Nothing
// panics, nothing is invented without a good checksum, and the journal goes on.
func FuzzOpen(f *testing.F) {
	for _, options := range kinds {
		fs, _, _ := filled(f, options)
		r, err := fs.OpenRead(segmentPath(1))
		require.NoError(f, err)
		b := make([]byte, 1200)
		_, err = r.ReadAt(b, 0)
		require.NoError(f, err)
		f.Add(b)
		f.Add(b[:700])
		f.Add(b[80:])
		f.Add(bytes.Repeat(b[80:96], 20))
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, options := range kinds {
			for _, n := range []int{1, 7} {
				fs := memfs.New()
				require.NoError(t, fs.MkdirAll(dir))
				w, err := fs.Create(segmentPath(n))
				require.NoError(t, err)
				_, err = w.WriteAt(b, 0)
				require.NoError(t, err)
				j, _, err := journal.Open(options(fs))
				if err != nil {
					continue // a good header of another kind of journal
				}
				before, _ := readAll(t, j, journal.Position{})
				mustCommit(t, j, "goes on")
				after, _ := readAll(t, j, journal.Position{})
				require.Equal(t, append(before, "goes on"), after)
			}
		}
	})
}
