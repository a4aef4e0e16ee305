package wholefile

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var errInjected = errors.New("injected")

// watched is the real disk under a witness: it keeps the order of the steps and
// fails the one that is named fails.
type watched struct {
	root  string
	fails string
	steps []string
}

func (w *watched) step(name, path string) error {
	rel, _ := filepath.Rel(w.root, path)
	if i := strings.Index(rel, ".new-"); i >= 0 {
		rel = rel[:i] + ".new"
	}
	w.steps = append(w.steps, name+" "+filepath.ToSlash(rel))
	if name == w.fails {
		return errInjected
	}
	return nil
}

// before runs a step of one path unless it is to fail.
func (w *watched) before(name string, do func(string) error) func(string) error {
	return func(path string) error {
		if err := w.step(name, path); err != nil {
			return err
		}
		return do(path)
	}
}

func (w *watched) disk() disk {
	return disk{
		mkdir:      w.before("mkdir", realDisk.mkdir),
		remove:     w.before("remove", realDisk.remove),
		syncFolder: w.before("sync folder", realDisk.syncFolder),
		syncRename: w.before("sync rename", realDisk.syncRename),
		create: func(dir, pattern string) (file, error) {
			if err := w.step("create", filepath.Join(dir, pattern)); err != nil {
				return nil, err
			}
			f, err := realDisk.create(dir, pattern)
			return &watchedFile{f, w}, err
		},
		rename: func(from, to string) error {
			if err := w.step("rename", to); err != nil {
				return err
			}
			return realDisk.rename(from, to)
		},
	}
}

type watchedFile struct {
	file
	w *watched
}

func (f *watchedFile) Write(p []byte) (int, error) {
	if err := f.w.step("write", f.Name()); err != nil {
		return 0, err
	}
	return f.file.Write(p)
}

func (f *watchedFile) Sync() error {
	if err := f.w.step("sync", f.Name()); err != nil {
		return err
	}
	return f.file.Sync()
}

func (f *watchedFile) Close() error {
	return errors.Join(f.file.Close(), f.w.step("close", f.Name()))
}

func names(t *testing.T, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range list {
		names = append(names, e.Name())
	}
	return names
}

// TestOrderOfSteps holds the order on which a power cut depends: each missing
// folder is synced into the one above it, and a file is renamed after its
// contents are synced and before its folder is.
func TestOrderOfSteps(t *testing.T) {
	w := &watched{root: t.TempDir()}
	path := filepath.Join(w.root, "a", "b", "key")
	require.NoError(t, w.disk().write(path, []byte("first")))
	require.Equal(t, []string{
		"mkdir a", "sync folder .", "mkdir a/b", "sync folder a",
		"create a/b/key.new", "write a/b/key.new", "sync a/b/key.new", "close a/b/key.new",
		"rename a/b/key", "sync rename a/b/key",
	}, w.steps)

	w.steps = nil
	require.NoError(t, w.disk().write(path, []byte("second")))
	require.Equal(t, []string{
		"create a/b/key.new", "write a/b/key.new", "sync a/b/key.new", "close a/b/key.new",
		"rename a/b/key", "sync rename a/b/key",
	}, w.steps)
	held, err := Read(path, 100)
	require.NoError(t, err)
	require.Equal(t, "second", string(held))
	require.Equal(t, []string{"key"}, names(t, filepath.Dir(path)))
}

// TestEachStepFails lets every step fail once: the error is told, the old file is
// whole, and nothing is left beside it.
func TestEachStepFails(t *testing.T) {
	for step, kept := range map[string]string{
		"create": "old", "write": "old", "sync": "old", "close": "old", "rename": "old",
		"sync rename": "new", // the rename was done; the error says that it may not last
	} {
		t.Run(step, func(t *testing.T) {
			w := &watched{root: t.TempDir()}
			path := filepath.Join(w.root, "key")
			require.NoError(t, Write(path, []byte("old")))
			w.fails = step
			err := w.disk().write(path, []byte("new"))
			require.ErrorIs(t, err, errInjected)
			require.ErrorContains(t, err, path)
			held, err := Read(path, 100)
			require.NoError(t, err)
			require.Equal(t, kept, string(held))
			require.Equal(t, []string{"key"}, names(t, w.root))
		})
	}
}

// TestFoldersFail lets the making of folders fail: no file is begun in a folder
// that may not last.
func TestFoldersFail(t *testing.T) {
	for _, step := range []string{"mkdir", "sync folder"} {
		t.Run(step, func(t *testing.T) {
			w := &watched{root: t.TempDir(), fails: step}
			path := filepath.Join(w.root, "a", "b", "key")
			err := w.disk().write(path, []byte("new"))
			require.ErrorIs(t, err, errInjected)
			require.ErrorContains(t, err, path)
			require.NoFileExists(t, path)
			require.NotContains(t, strings.Join(w.steps, "\n"), "create")
		})
	}
}

// TestTheRestStaysWhenItCannotBeRemoved tells of both failures.
func TestTheRestStaysWhenItCannotBeRemoved(t *testing.T) {
	w := &watched{root: t.TempDir()}
	d := w.disk()
	d.rename = func(string, string) error { return os.ErrPermission }
	w.fails = "remove"
	err := d.write(filepath.Join(w.root, "key"), []byte("new"))
	require.ErrorIs(t, err, os.ErrPermission)
	require.ErrorIs(t, err, errInjected)
}

// TestFill lets the contents themselves fail half-way: the caller gets its own
// error, and the old file stays.
func TestFill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "books")
	large := make([]byte, 3*fillBuffer+1)
	require.NoError(t, Fill(path, func(to io.Writer) error {
		_, err := to.Write(large)
		return err
	}))
	err := Fill(path, func(to io.Writer) error {
		_, err := to.Write(large[:2*fillBuffer])
		require.NoError(t, err)
		return errInjected
	})
	require.Equal(t, errInjected.Error(), err.Error())
	held, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, large, held)
	require.Equal(t, []string{"books"}, names(t, filepath.Dir(path)))

	// A stick that is not there is no folder to be made.
	gone := filepath.Join(t.TempDir(), "stick")
	require.ErrorIs(t, Fill(filepath.Join(gone, "books"), func(io.Writer) error { return nil }), os.ErrNotExist)
	require.NoDirExists(t, gone)
}

// TestOnlyThisUserReads looks at the file and at the folder that was made for it.
func TestOnlyThisUserReads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a", "key")
	require.NoError(t, Write(path, nil))
	for p, mode := range map[string]os.FileMode{path: 0o600, filepath.Dir(path): 0o700} {
		info, err := os.Stat(p)
		require.NoError(t, err)
		require.Equal(t, mode, info.Mode().Perm())
	}
}

// TestAFileInTheWay stands where a folder should be.
func TestAFileInTheWay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a")
	require.NoError(t, Write(path, []byte("a file")))
	require.Error(t, Write(filepath.Join(path, "key"), nil))
	require.Error(t, MakeFolder(filepath.Join(path, "b")))
	require.Error(t, SyncFolder(filepath.Join(path, "b")))
}

// TestReadIsBounded takes a file of the greatest length and refuses one byte more.
func TestReadIsBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "key")
	require.NoError(t, Write(path, []byte("12345")))
	held, err := Read(path, 5)
	require.NoError(t, err)
	require.Equal(t, "12345", string(held))
	_, err = Read(path, 4)
	require.ErrorIs(t, err, ErrTooLong)
	_, err = Read(path+"x", 4)
	require.ErrorIs(t, err, os.ErrNotExist)
}
