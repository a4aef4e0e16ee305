package journal_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// A journal that is opened to be read gives every frame, needs no key id, and
// asks the disk for nothing that could change it: not after a torn write either.
func TestReadOnlyChangesNothing(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs := memfs.New()
		j, _ := mustOpen(t, options(fs))
		mustCommit(t, j, "one", "two")
		require.NoError(t, j.Close())
		torn := append(fileBytes(t, fs, "0000000001.journal"), 0xF7, 'T', 'f')
		fs = memfs.New()
		require.NoError(t, fs.MkdirAll(dir))
		writeFile(t, fs, "0000000001.journal", torn)

		fs.SetHook(func(op memfs.Op) memfs.Fault {
			switch op.Kind {
			case memfs.OpenRead, memfs.Read, memfs.ReadDir:
				return memfs.Fault{}
			}
			t.Errorf("operation %d on %s", op.Kind, op.Path)
			return memfs.Fault{}
		})
		o := options(fs)
		o.ReadOnly, o.KeyID = true, ""
		j, report := mustOpen(t, o)
		require.EqualValues(t, 3, report.TornBytes)
		var frames []string
		require.NoError(t, j.Scan(journal.Position{}, func(_ journal.Position, f []byte) error {
			frames = append(frames, string(f))
			return nil
		}, nil))
		require.Equal(t, []string{"one", "two"}, frames)
		_, err := j.Commit(rawFrames([]string{"three"}))
		require.ErrorIs(t, err, journal.ErrReadOnly)
		require.NoError(t, j.Close())
	})
}

// Reading needs a directory that is there.
func TestReadOnlyMakesNoDirectory(t *testing.T) {
	o := plain(memfs.New())
	o.ReadOnly = true
	_, _, err := journal.Open(o)
	require.Error(t, err)
}

func fileBytes(t *testing.T, fs journal.FS, name string) []byte {
	entries, err := fs.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Name != name {
			continue
		}
		f, err := fs.OpenRead(dir + "/" + name)
		require.NoError(t, err)
		b := make([]byte, e.Size)
		_, err = f.ReadAt(b, 0)
		require.NoError(t, err)
		return b
	}
	t.Fatal("no file " + name)
	return nil
}

func writeFile(t *testing.T, fs journal.FS, name string, b []byte) {
	f, err := fs.Create(dir + "/" + name)
	require.NoError(t, err)
	_, err = f.WriteAt(b, 0)
	require.NoError(t, err)
	require.NoError(t, f.Sync())
	require.NoError(t, fs.SyncDir(dir))
}
