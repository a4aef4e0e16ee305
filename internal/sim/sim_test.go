package sim

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/testrun"
)

var (
	seedFlag  = flag.Uint64("seed", 0, "the seed that TestSeed runs")
	seedsFlag = flag.Int("seeds", 0, "how many seeds TestSeeds runs; 0: the usual number")
	firstFlag = flag.Uint64("first", 1, "the first seed of TestSeeds")
	stepsFlag = flag.Int("steps", 150, "how many steps a seed has")
)

// run runs steps in a new world.
func run(seed uint64, list []step) (*world, error) {
	w := newWorld(seed)
	return w, w.run(list)
}

// reduce leaves steps out while the run still fails, at most tries runs.
func reduce(seed uint64, list []step, tries int) []step {
	for size := len(list) / 2; size > 0 && tries > 0; {
		smaller := false
		for at := 0; at+size <= len(list) && tries > 0; tries-- {
			shorter := slices.Concat(list[:at], list[at+size:])
			if _, err := run(seed, shorter); err != nil {
				list, smaller = shorter, true
			} else {
				at += size
			}
		}
		if !smaller || size > len(list) {
			size /= 2
		}
	}
	return list
}

// trace is the text of a run, as it lies in testdata/sim.
func trace(seed uint64, list []step, err error) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# %v\nseed %d\n", strings.ReplaceAll(err.Error(), "\n", "\n# "), seed)
	for _, s := range list {
		fmt.Fprintln(&b, s)
	}
	return b.String()
}

// parse reads a trace.
func parse(t *testing.T, text string) (seed uint64, list []step) {
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if n, _ := fmt.Sscanf(line, "seed %d", &seed); n == 1 {
			continue
		}
		words := strings.Fields(line)
		require.GreaterOrEqual(t, len(words), 3, line)
		s := step{name: strings.Join(words[:len(words)-2], " ")}
		_, err := fmt.Sscan(strings.Join(words[len(words)-2:], " "), &s.node, &s.seed)
		require.NoError(t, err, line)
		list = append(list, s)
	}
	return seed, list
}

// Mutants. Each was put in, seen to die by the test named, and taken out again.
//
//	mutant                                                   dies by
//	journal.commitOnce does not sync                         TestSeeds: kept
//	journal.commitOnce answers before the sync has answered  TestSeeds: kept
//	event.CompareWritten compares wall clocks                TestSeeds: ordered
//	event.CompareWritten without the hash                    TestSeeds: folded
//	store.NewEpoch goes on in the old logs                   TestSeeds: given up
//	store.openOwnLogs ignores that records are gone          TestSeeds: given up
//	ledger.distinctWritten counts a record twice             TestSeeds: folded
//	ledger.distinctWritten does not sort                     TestSeeds: folded
//	ledger.cutDevice does not cut                            ledger.TestHoldPastACut
//	ledger.flawed keeps a word that fits by now              ledger.TestLawPrune, TestRecordedFailures
//	store.gaps.unvouched names nothing                       TestRecordedFailures
//	exchange.Check passes over what is bare                  exchange.TestWhatIsBareIsTakenAgain
//	exchange.refillable wants a giver that goes further      TestRecordedFailures

// must is every fault that the seeds together have to bring about.
var must = []string{
	"crash", "crash inside a write", "clean restart", "index lost", "restored from an older copy", "index ahead of the journal", "cloned", "byte flipped",
	"hub lost its data", "disk full", "disk error", "write refused", "clock set", "partition", "dropped", "doubled",
	"truncated", "reordered", "old run came again", "new epoch", "fork", "rights changed", "folded from scratch",
	"logs joined", "silent reader", "index full", "disk cannot be read", "records read again", "carried by hand", "a file cut", "a new server from a laptop's file", "part of the journal gone",
	"gathered and settled", "a laptop joined", "keys given", "keys asked for", "keys lost", "several writers at once", "a copy told",
	"push timed out", "one reading for many streams", "own records came back", "private note",
	"difference they_know_more_of_my_log", "difference own_log_differs", "difference log_forked", "difference they_miss_runs",
}

// TestMain collects garbage seldom: worlds are small and live for a moment.
func TestMain(m *testing.M) {
	debug.SetGCPercent(800)
	cheap()
	os.Exit(m.Run())
}

// TestSeeds runs the usual seeds, or a range, and sees that every fault was met.
func TestSeeds(t *testing.T) {
	if *seedFlag != 0 {
		return // one seed is asked for: TestSeed runs it
	}
	seeds := testrun.Of(30, 200)
	if *seedsFlag > 0 {
		seeds = *seedsFlag
	}
	all := runAll(*firstFlag, uint64(seeds), steps)
	if len(all.failed) > 0 {
		report(t, steps, all.failed)
	}
	for _, what := range slices.Sorted(maps.Keys(all.did)) {
		t.Logf("%6d %s", all.did[what], what)
	}
	for _, what := range must {
		require.NotZero(t, all.did[what], "no seed met: %s", what)
	}
}

// maxFailed is how many failed seeds end a range.
const maxFailed = 8

// tally is what many seeds came to.
type tally struct {
	mu     sync.Mutex
	did    map[string]int
	failed map[uint64]error
}

// runAll runs a range of seeds, as many worlds side by side as there are cores. No
// world knows of another, so what each does depends on its seed alone.
func runAll(first, seeds uint64, steps func(seed uint64) []step) *tally {
	all := &tally{did: map[string]int{}, failed: map[uint64]error{}}
	var taken atomic.Uint64
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for n := taken.Add(1); n <= seeds; n = taken.Add(1) {
				seed := first + n - 1
				w, err := run(seed, steps(seed))
				if !all.add(seed, w, err) {
					return
				}
			}
		})
	}
	workers.Wait()
	return all
}

// add counts a seed; more says that others are worth running.
func (all *tally) add(seed uint64, w *world, err error) (more bool) {
	all.mu.Lock()
	defer all.mu.Unlock()
	if err != nil {
		all.failed[seed] = err
	}
	for what, n := range w.did {
		if what == "rounds to agree" {
			all.did[what] = max(all.did[what], n)
		} else {
			all.did[what] += n
		}
	}
	return len(all.failed) < maxFailed
}

// report tells every seed that failed, and the shortest way to the failure of the first.
func report(t *testing.T, steps func(seed uint64) []step, failed map[uint64]error) {
	t.Helper()
	seed := slices.Min(slices.Collect(maps.Keys(failed)))
	for _, other := range slices.Sorted(maps.Keys(failed)) {
		line, _, _ := strings.Cut(failed[other].Error(), "\n")
		t.Errorf("seed %d: %s", other, line)
	}
	list := reduce(seed, steps(seed), 200)
	_, last := run(seed, list)
	t.Fatalf("seed %d: %v\nreplay: go test ./internal/sim -run 'TestSeed$' -seed %d\nshortest found:\n%s",
		seed, failed[seed], seed, trace(seed, list, last))
}

// TestSeed runs one seed and prints its steps: go test -run TestSeed -seed 123.
func TestSeed(t *testing.T) {
	seed := *seedFlag
	if seed == 0 {
		seed = 1
	}
	w, err := run(seed, steps(seed))
	if err != nil {
		t.Log(w.story())
		report(t, steps, map[uint64]error{seed: err})
	}
}

// TestSameSeedSameStory holds the simulation to its own promise.
func TestSameSeedSameStory(t *testing.T) {
	var ends []string
	for range 2 {
		w, err := run(7, steps(7))
		require.NoError(t, err)
		ends = append(ends, w.story()+fmt.Sprint(w.did)+digest(w.union().fold()).String())
	}
	require.Equal(t, ends[0], ends[1])
}

// TestRecordedFailures replays what once failed.
func TestRecordedFailures(t *testing.T) {
	files, err := filepath.Glob("../../testdata/sim/*.txt")
	require.NoError(t, err)
	for _, name := range files {
		t.Run(filepath.Base(name), func(t *testing.T) {
			text, err := os.ReadFile(name)
			require.NoError(t, err)
			seed, list := parse(t, string(text))
			_, err = run(seed, list)
			require.NoError(t, err)
		})
	}
}
