package index

// The mutants that the tests of this package must kill. Each was tried by hand.
//
//	mutant                                   killed by
//	do not compare files with the mark       TestFlippedBytes, TestDamageIsPutAside, TestFilesGoneOrAdded
//	leave the clean mark while open          TestOpenStates
//	read tables without their checksums      TestFlippedBytes
//	do not count starts that died            TestCrashWhileOpening
//	take a wrong key for damage              TestWrongKeyIsNotDamage
//	take no lock                             TestLockedIsLeftAlone
//	apply a failed update                    TestFailedUpdateAppliesNothing, TestMemoryEqualsDisk
//	forget that an update was too big        TestTooBig
//	step not over a reverse scan's end       TestScans, TestMemoryEqualsDisk

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/wholefile"
)

func reopen(t *testing.T, o Options) (Index, Opened) {
	t.Helper()
	ix, opened, err := Open(o)
	require.NoError(t, err)
	return ix, opened
}

// kinds are the options every law of opening holds for.
func eachOptions(t *testing.T, run func(t *testing.T, o Options)) {
	t.Run("plain", func(t *testing.T) { run(t, Options{Dir: filepath.Join(t.TempDir(), "a", "ix")}) })
	t.Run("encrypted", func(t *testing.T) { run(t, Options{Dir: filepath.Join(t.TempDir(), "a", "ix"), Key: testKey}) })
}

func TestOpenStates(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		ix := mustOpen(t, o, Fresh)
		require.NoError(t, ix.Close())
		ix = mustOpen(t, o, Clean)
		put(t, ix, "a", "1")
		image := copyDir(t, o.Dir) // as a crash would leave it
		require.NoError(t, ix.Close())
		require.NoError(t, ix.Close())

		ix = mustOpen(t, o, Clean)
		require.Equal(t, []string{"a=1"}, listAll(t, ix))
		require.NoError(t, ix.Close())

		crashed := o
		crashed.Dir = image
		ix = mustOpen(t, crashed, Unclean)
		require.Equal(t, []string{"a=1"}, listAll(t, ix))
		require.NoError(t, ix.Close())
		ix = mustOpen(t, crashed, Clean)
		require.NoError(t, ix.Close())
	})
}

// copyDir copies a directory as it is, open files and all.
func copyDir(t *testing.T, from string) string {
	to := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(to, "ix"), os.DirFS(from)))
	return filepath.Join(to, "ix")
}

func TestLockedIsLeftAlone(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1")
		// Even a stale mark does not bring the second process to compare files.
		mark := filepath.Join(o.Dir, cleanName)
		require.NoError(t, os.WriteFile(mark, []byte("stale"), 0o600))
		for range 3 {
			_, _, err := Open(o)
			require.FileExists(t, mark)
			require.ErrorIs(t, err, ErrLocked)
			require.ErrorContains(t, err, o.Dir)
		}
		put(t, ix, "b", "2")
		require.NoError(t, ix.Close())
		ix = mustOpen(t, o, Clean)
		require.Equal(t, []string{"a=1", "b=2"}, listAll(t, ix))
		require.NoError(t, ix.Close())
	})
}

func TestWrongKeyIsNotDamage(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1")
		require.NoError(t, ix.Close())
		other := o
		other.Key = []byte(strings.Repeat("x", 32))
		if o.Key == nil {
			other.Key = testKey
		}
		none := o
		none.Key = nil
		for _, bad := range []Options{other, none} {
			if string(bad.Key) == string(o.Key) {
				continue
			}
			_, _, err := Open(bad)
			require.ErrorIs(t, err, ErrWrongKey)
		}
		ix = mustOpen(t, o, Clean)
		require.Equal(t, []string{"a=1"}, listAll(t, ix))
		require.NoError(t, ix.Close())

		require.NoError(t, os.WriteFile(filepath.Join(o.Dir, keyName), []byte("scrambled"), 0o600))
		ix = mustOpen(t, o, Clean)
		require.NoError(t, ix.Close())
		_, _, err := Open(other)
		require.ErrorIs(t, err, ErrWrongKey, "the key file was mended")
	})
}

func TestOptionsAreChecked(t *testing.T) {
	for _, o := range []Options{{Dir: t.TempDir(), MemTableBytes: 1}, {Dir: t.TempDir(), Key: []byte("short")}} {
		_, _, err := Open(o)
		require.Error(t, err)
	}
}

// TestDamageIsPutAside spoils a closed index five times. Each time an empty one
// takes its place; the damaged ones are kept as they were, the last three.
func TestDamageIsPutAside(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		var moved []string
		for i := range 5 {
			ix, opened := reopen(t, o)
			require.Equal(t, map[bool]State{true: Fresh, false: Rebuilt}[i == 0], opened.State)
			if i > 0 {
				require.Contains(t, opened.Reason, "MANIFEST")
				require.DirExists(t, opened.MovedTo)
				moved = append(moved, opened.MovedTo)
				content, err := os.ReadFile(filepath.Join(opened.MovedTo, "MANIFEST"))
				require.NoError(t, err)
				require.True(t, strings.HasSuffix(string(content), fmt.Sprint("spoiled ", i-1)))
			}
			if i == 4 {
				require.Equal(t, moved[0], opened.Removed)
				require.NoDirExists(t, moved[0])
			} else {
				require.Empty(t, opened.Removed)
			}
			require.Empty(t, listAll(t, ix))
			put(t, ix, "a", fmt.Sprint(i))
			require.NoError(t, ix.Close())
			manifest := filepath.Join(o.Dir, tablesName, "MANIFEST")
			content, err := os.ReadFile(manifest)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(manifest, append(content, fmt.Sprint("spoiled ", i)...), 0o600))
		}
		require.Len(t, moved, 4)
		for _, m := range moved[1:] {
			require.DirExists(t, m)
		}
	})
}

// TestFilesGoneOrAdded: the clean mark holds for exactly the files it names.
func TestFilesGoneOrAdded(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, dir string){
		"all gone": func(t *testing.T, dir string) { require.NoError(t, os.RemoveAll(dir)) },
		"one gone": func(t *testing.T, dir string) { require.NoError(t, os.Remove(filepath.Join(dir, "KEYREGISTRY"))) },
		"one more": func(t *testing.T, dir string) {
			require.NoError(t, os.WriteFile(filepath.Join(dir, "00009.mem"), nil, 0o600))
		},
		"one unreadable": func(t *testing.T, dir string) {
			if runtime.GOOS != "linux" {
				t.Skip("there is no file here whose reading fails with an error of input and output")
			}
			require.NoError(t, os.Remove(filepath.Join(dir, "KEYREGISTRY")))
			require.NoError(t, os.Symlink("/proc/self/mem", filepath.Join(dir, "KEYREGISTRY")))
		},
		"mark emptied": func(t *testing.T, dir string) {
			require.NoError(t, os.WriteFile(filepath.Join(dir, "..", cleanName), nil, 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			o := Options{Dir: t.TempDir()}
			ix := mustOpen(t, o, Fresh)
			put(t, ix, "a", "1")
			require.NoError(t, ix.Close())
			spoil(t, filepath.Join(o.Dir, tablesName))
			ix = mustOpen(t, o, Rebuilt)
			require.Empty(t, listAll(t, ix))
			require.NoError(t, ix.Close())
		})
	}
	o := Options{Dir: t.TempDir()}
	ix := mustOpen(t, o, Fresh)
	require.NoError(t, ix.Close())
	require.NoError(t, os.WriteFile(filepath.Join(o.Dir, tablesName, ".folder-view"), nil, 0o600))
	ix = mustOpen(t, o, Clean) // a file browser's droppings are no damage
	require.NoError(t, ix.Close())
}

// TestCrashWhileOpening: Badger can panic where nothing recovers it, and would
// at each start. After two starts that did not come through, the third begins anew.
func TestCrashWhileOpening(t *testing.T) {
	o := Options{Dir: t.TempDir()}
	ix := mustOpen(t, o, Fresh)
	put(t, ix, "a", "1")
	require.NoError(t, ix.Close())
	opening := filepath.Join(o.Dir, openingName)
	require.NoFileExists(t, opening)
	require.NoError(t, os.WriteFile(opening, []byte("."), 0o600))
	ix = mustOpen(t, o, Clean) // once can be a person in a hurry
	require.NoError(t, ix.Close())
	require.NoFileExists(t, opening)
	require.NoError(t, os.WriteFile(opening, []byte(".."), 0o600))
	ix = mustOpen(t, o, Rebuilt)
	require.NoError(t, ix.Close())
	require.NoFileExists(t, opening)
}

// TestTroubleOfTheMachineIsNotDamage: an index that may not be read now is left
// where it is.
func TestTroubleOfTheMachineIsNotDamage(t *testing.T) {
	for _, host := range hostErrors {
		err := hostError(fmt.Errorf("while opening memtables error: %s", host.Error()))
		require.NotErrorIs(t, err, errDamage)
	}
	require.ErrorIs(t, hostError(fmt.Errorf("manifest has bad magic")), errDamage)
	err := hostError(fmt.Errorf("cannot acquire directory lock. Another process is using this Badger database"))
	require.ErrorIs(t, err, ErrLocked)
}

func TestNearlyFullDisk(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		var free atomic.Uint64
		o.free = func(string) (uint64, error) { return free.Load(), nil }
		enough := uint64(roomTables * defaultMemTable)
		free.Store(enough)
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1")
		free.Store(enough - 1)
		err := ix.Update(func(w Writer) error { return putIn(w, "b", "2") })
		require.ErrorIs(t, err, ErrNoSpace)
		free.Store(enough)
		err = ix.Update(func(w Writer) error {
			free.Store(enough - 1) // while the update is made
			return putIn(w, "b", "2")
		})
		require.ErrorIs(t, err, ErrNoSpace)
		require.Equal(t, []string{"a=1"}, listAll(t, ix))
		free.Store(enough)
		require.NoError(t, ix.Close())
		free.Store(enough - 1)
		_, _, err = Open(o)
		require.ErrorIs(t, err, ErrNoSpace)
		free.Store(enough)
		ix = mustOpen(t, o, Clean) // the refused open left the mark
		put(t, ix, "b", "2")
		require.Equal(t, []string{"a=1", "b=2"}, listAll(t, ix))
		require.NoError(t, ix.Close())
	})
	free, err := wholefile.FreeBytes(t.TempDir())
	require.NoError(t, err)
	require.Positive(t, free)
}

// TestAnIndexIsClosedWhenThereIsRoom: to flush its tables on a full disk would end the
// process.
func TestAnIndexIsClosedWhenThereIsRoom(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		var free atomic.Uint64
		o.free = func(string) (uint64, error) { return free.Load(), nil }
		free.Store(roomTables * defaultMemTable)
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1")
		free.Store(0)
		require.NoError(t, ix.Close())
		_, _, err := Open(o)
		require.ErrorIs(t, err, ErrNoSpace, "not that it is open: who has no room goes on in memory")
		require.NoFileExists(t, filepath.Join(o.Dir, cleanName))
		require.Error(t, ix.Update(func(Writer) error { return nil }), "and nothing waits for it")
		free.Store(roomTables * defaultMemTable)
		require.Eventually(t, func() bool {
			ix, opened, err := Open(o)
			if errors.Is(err, ErrLocked) {
				return false
			}
			require.NoError(t, err)
			require.Equal(t, Clean, opened.State)
			require.Equal(t, []string{"a=1"}, listAll(t, ix))
			return ix.Close() == nil
		}, time.Minute, time.Millisecond)
	})
}

// TestRoomThatGoesFast: what will be gone before Badger is done is no room.
func TestRoomThatGoesFast(t *testing.T) {
	var p pace
	at := time.Hour
	require.Zero(t, p.ahead(10<<30, at))
	require.EqualValues(t, 100<<20, p.ahead(10<<30-10<<20, at+time.Millisecond), "10 MiB at once count over a tenth of a second")
	require.EqualValues(t, 400<<20, p.ahead(10<<30-80<<20, at+200*time.Millisecond))
	require.InDelta(t, 200<<20, p.ahead(10<<30-80<<20, at+700*time.Millisecond), 1<<20, "it stands still, and is forgotten")
	require.Zero(t, p.ahead(10<<30-80<<20, at+2*time.Second))
	require.EqualValues(t, aheadAtMost, p.ahead(0, at+2100*time.Millisecond))
	require.Zero(t, p.ahead(11<<30, at+2200*time.Millisecond), "somebody made room")
}

func TestManyUpdatesSurviveCloseAndFlush(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		ix := mustOpen(t, o, Fresh)
		value := make([]byte, 2000)
		_, err := rand.NewChaCha8([32]byte{}).Read(value) // what cannot be packed
		require.NoError(t, err)
		for i := range 60 { // several tables in memory
			require.NoError(t, ix.Update(func(w Writer) error {
				for k := range 100 {
					if err := w.Set(fmt.Appendf(nil, "%03d/%03d", i, k), value); err != nil {
						return err
					}
				}
				return nil
			}))
		}
		require.Eventually(t, func() bool {
			tables, err := filepath.Glob(filepath.Join(o.Dir, tablesName, "*.sst"))
			return err == nil && len(tables) > 0
		}, time.Minute, time.Millisecond)
		require.Len(t, listAll(t, ix), 6000)
		require.NoError(t, ix.Close())
		ix = mustOpen(t, o, Clean)
		require.Len(t, listAll(t, ix), 6000)
		require.NoError(t, ix.Close())
	})
}
