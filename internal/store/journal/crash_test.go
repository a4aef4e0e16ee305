package journal_test

// The faults that this package exists to survive, and the mutants that these
// tests must kill. Each was tried by hand: the change made, the test seen to fail.
//
//	mutant                                        killed by
//	skip the sync of the file in commitOnce       TestAcknowledgedSurvivesAnyCrash, TestFailedSteps
//	skip the sync of the directory                TestAcknowledgedSurvivesAnyCrash, TestFailedSteps
//	publish (acknowledge) before the sync         TestUnacknowledgedIsNotRead
//	sync again on the same file after a failure   TestFailedSteps
//	header of a new segment without "after"       TestFailedSteps
//	go on in a segment with a torn end            TestTornEndIsCutAndReported
//	no sync of the file or directory at Open      TestWhatARestartFoundSurvives
//	no rewriting of the last batch at Open        TestWhatARestartFoundSurvives
//	no checksum of the body                       TestFlippedBytes, TestReadAtFindsDamage

import (
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
)

var errInjected = errors.New("injected")

// history is what the caller of a journal knows.
type history struct {
	acknowledged []string // in order
	asked        []string // every frame ever given to Commit
}

// check compares a journal after a crash with what was promised: every
// acknowledged frame is there, in order, once; whatever else is there was asked
// for, and once.
func (h history) check(t require.TestingT, j *journal.Journal) []string {
	got, damaged := readAll(t, j, journal.Position{})
	require.Empty(t, damaged)
	i := 0
	seen := map[string]bool{}
	for _, f := range got {
		require.Contains(t, h.asked, f)
		require.False(t, seen[f], "%.20q is there twice", f)
		seen[f] = true
		if i < len(h.acknowledged) && f == h.acknowledged[i] {
			i++
		}
	}
	require.Equal(t, len(h.acknowledged), i, "acknowledged frames are missing or out of order")
	return got
}

func TestAcknowledgedSurvivesAnyCrash(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		testrun.Check(t, func(t *rapid.T) { crashRun(t, options) })
	})
}

// crashRun commits, fails and crashes at random, several times over.
func crashRun(t *rapid.T, options func(journal.FS) journal.Options) {
	fs := memfs.New()
	var h history
	for range rapid.IntRange(1, 4).Draw(t, "runs") {
		j, _ := mustOpen(t, options(fs))
		h.acknowledged = h.check(t, j) // what a restart finds is the truth from now on
		odds := rapid.SampledFrom([]int{1, 1, 2, 7}).Draw(t, "odds")
		fs.SetHook(func(op memfs.Op) memfs.Fault { return drawFault(t, op, odds) })
		for range rapid.IntRange(0, 6).Draw(t, "commits") {
			batch := drawBatch(t, len(h.asked))
			h.asked = append(h.asked, batch...)
			positions, err := j.Commit(rawFrames(batch))
			if err == nil {
				h.acknowledged = append(h.acknowledged, batch...)
				require.Len(t, positions, len(batch))
			}
			if rapid.IntRange(0, 3).Draw(t, "crash here") == 0 {
				break
			}
		}
		fs.SetHook(nil)
		if rapid.Bool().Draw(t, "power cut") { // else only the process dies
			fs = fs.CrashClone(func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "crash") })
		}
	}
	j, _ := mustOpen(t, options(fs))
	h.check(t, j)
}

func drawBatch(t *rapid.T, from int) []string {
	batch := make([]string, rapid.IntRange(1, 5).Draw(t, "batch"))
	for i := range batch {
		batch[i] = text(from+i, rapid.IntRange(10, 900).Draw(t, "size"))
	}
	return batch
}

// drawFault fails one operation in odds+1, in every way there is.
func drawFault(t *rapid.T, op memfs.Op, odds int) memfs.Fault {
	if op.Kind == memfs.Read || op.Kind == memfs.ReadDir || op.Kind == memfs.OpenRead ||
		rapid.IntRange(0, odds).Draw(t, "fault") > 0 {
		return memfs.Fault{}
	}
	return memfs.Fault{Err: errInjected, Applied: rapid.Bool().Draw(t, "applied"),
		Bytes: rapid.IntRange(0, max(1, op.Size)).Draw(t, "bytes")}
}

// TestFailedSteps fails each step of a commit, lost or carried out anyway, in a
// used and in a new segment. One failure must not show; after the crash that
// keeps only what was synced, everything acknowledged is there once.
func TestFailedSteps(t *testing.T) {
	steps := map[string]memfs.Kind{"create": memfs.Create, "write": memfs.Write, "sync": memfs.Sync, "sync dir": memfs.SyncDir}
	for step, kind := range steps {
		for _, applied := range []bool{false, true} {
			for _, fresh := range []bool{false, true} {
				for _, times := range []int{1, 2, 3, 5} {
					t.Run(step, func(t *testing.T) { failStep(t, kind, applied, fresh, times) })
				}
			}
		}
	}
}

func failStep(t *testing.T, kind memfs.Kind, applied, fresh bool, times int) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs := memfs.New()
		j, _ := mustOpen(t, options(fs))
		var h history
		commit := func(f string) error {
			h.asked = append(h.asked, f)
			_, err := j.Commit([][]byte{[]byte(f)})
			if err == nil {
				h.acknowledged = append(h.acknowledged, f)
			}
			return err
		}
		if !fresh {
			require.NoError(t, commit("before"))
		}
		left := times
		fs.SetHook(func(op memfs.Op) memfs.Fault {
			if op.Kind != kind || left == 0 {
				return memfs.Fault{}
			}
			left--
			return memfs.Fault{Err: errInjected, Applied: applied, Bytes: op.Size / 2}
		})
		reached := fresh || kind == memfs.Write || kind == memfs.Sync
		err := commit("during")
		require.Equal(t, reached && times >= 3, err != nil, "three tries, then a clear error")
		if err != nil {
			require.ErrorIs(t, err, errInjected)
		}
		fs.SetHook(nil)
		require.NoError(t, commit("after"))
		for _, choose := range []memfs.Choose{memfs.Lose, memfs.Keep} {
			after, _ := reopened(t, fs, options, choose)
			require.Equal(t, h.acknowledged, h.check(t, after))
			mustCommit(t, after, "again")
		}
	})
}

// TestWhatARestartFoundSurvives lets a process die after it could not sync, and
// not the machine. The next process reads the bytes from memory; once it has
// shown them to anybody, a power cut must not take them away.
func TestWhatARestartFoundSurvives(t *testing.T) {
	for name, kind := range map[string]memfs.Kind{"file": memfs.Sync, "directory": memfs.SyncDir} {
		t.Run(name, func(t *testing.T) {
			eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
				fs := memfs.New()
				j, _ := mustOpen(t, options(fs))
				want := texts(20, 190)
				mustCommit(t, j, want[:19]...)
				fs.SetHook(func(op memfs.Op) memfs.Fault {
					if op.Kind == kind || op.Kind == memfs.Remove {
						return memfs.Fault{Err: errInjected}
					}
					return memfs.Fault{}
				})
				_, err := j.Commit(rawFrames(want[19:]))
				require.ErrorIs(t, err, errInjected)
				fs.SetHook(nil)
				j, _ = mustOpen(t, options(fs))
				got, _ := readAll(t, j, journal.Position{})
				require.Equal(t, want, got)
				j, _ = reopened(t, fs, options, memfs.Lose)
				got, damaged := readAll(t, j, journal.Position{})
				require.Equal(t, want, got)
				require.Empty(t, damaged)
			})
		})
	}
}

func TestUnacknowledgedIsNotRead(t *testing.T) {
	fs := memfs.New()
	j, _ := mustOpen(t, plain(fs))
	mustCommit(t, j, "a")
	end := j.End()
	var during []journal.Position
	fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Sync {
			during = append(during, j.End())
			return memfs.Fault{Err: errInjected, Applied: true}
		}
		return memfs.Fault{}
	})
	_, err := j.Commit([][]byte{[]byte("b")})
	require.ErrorIs(t, err, errInjected)
	require.Equal(t, []journal.Position{end, end, end}, during, "nothing is published before its sync")
	require.Equal(t, end, j.End())
	_, _, err = j.ReadAt(end, nil)
	require.ErrorIs(t, err, journal.ErrNotFound)
	got, _ := readAll(t, j, journal.Position{})
	require.Equal(t, []string{"a"}, got)
}

func TestTornEndIsCutAndReported(t *testing.T) {
	eachKind(t, func(t *testing.T, options func(journal.FS) journal.Options) {
		fs := memfs.New()
		j, _ := mustOpen(t, options(fs))
		mustCommit(t, j, "a", "b")
		fs.SetHook(func(op memfs.Op) memfs.Fault { // the power goes during the write
			if op.Kind == memfs.Write || op.Kind == memfs.Create {
				return memfs.Fault{Err: errInjected, Bytes: op.Size - 3}
			}
			return memfs.Fault{}
		})
		_, err := j.Commit([][]byte{[]byte("torn in the middle")})
		require.Error(t, err)
		fs = fs.CrashClone(memfs.Keep)

		for _, add := range []string{"c", "d"} { // the torn bytes stay, and stay out of sight
			j, report := mustOpen(t, options(fs))
			require.Empty(t, report.Damaged)
			if add == "c" {
				require.Positive(t, report.TornBytes)
			} else {
				require.Zero(t, report.TornBytes)
			}
			mustCommit(t, j, add)
			require.NoError(t, j.Close())
		}
		j, _ = mustOpen(t, options(fs))
		got, damaged := readAll(t, j, journal.Position{})
		require.Equal(t, []string{"a", "b", "c", "d"}, got)
		require.Empty(t, damaged)
		require.Len(t, sizes(t, fs), 2)
	})
}

func TestEverySyncedLengthIsPrefix(t *testing.T) {
	// A single write torn at each of its bytes: the frames before the tear are read.
	fs := memfs.New()
	o := plain(fs)
	j, _ := mustOpen(t, o)
	mustCommit(t, j, "first")
	fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Sync || op.Kind == memfs.Create {
			return memfs.Fault{Err: errInjected}
		}
		return memfs.Fault{}
	})
	batch := texts(3, 40)
	_, err := j.Commit(rawFrames(batch))
	require.Error(t, err)
	all := append([]string{"first"}, batch...)
	for cut := range 3*(40+16) + 1 {
		// The answers: which outcome for the write (2 is torn), then where.
		answers := []int{2, cut}
		torn := fs.CrashClone(func(n int) int {
			if n == 2 {
				return 1 // keep every name
			}
			a := answers[0]
			answers = answers[1:]
			return a
		})
		after, report := mustOpen(t, plain(torn))
		got, damaged := readAll(t, after, journal.Position{})
		require.Empty(t, damaged)
		require.Equal(t, all[:1+cut/56], got)
		require.EqualValues(t, cut%56, report.TornBytes)
	}
}

func TestSameChoicesSameDisk(t *testing.T) {
	fs := memfs.New()
	j, _ := mustOpen(t, sealed(fs))
	mustCommit(t, j, texts(30, 300)...)
	clone := func() map[string]int64 {
		i := 0
		return sizes(t, fs.CrashClone(func(n int) int { i++; return i % n }))
	}
	require.Equal(t, clone(), clone())
	require.True(t, slices.Contains(j.End().Encode(), 1))
}
