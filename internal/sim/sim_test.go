package sim

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
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

// must is every fault that the seeds together have to bring about.
var must = []string{
	"crash", "crash inside a write", "clean restart", "index lost", "restored from an older copy", "index ahead of the journal", "cloned", "byte flipped",
	"hub lost its data", "disk full", "disk error", "write refused", "clock set", "partition", "dropped", "doubled",
	"truncated", "reordered", "old run came again", "new epoch", "fork", "rights changed", "folded from scratch",
	"difference they_know_more_of_my_log", "difference own_log_differs", "difference log_forked", "difference they_miss_runs",
}

// TestSeeds runs the usual seeds and sees that every fault was met.
func TestSeeds(t *testing.T) {
	if *seedFlag != 0 {
		return // one seed is asked for: TestSeed runs it
	}
	seeds := testrun.Of(30, 200)
	if *seedsFlag > 0 {
		seeds = *seedsFlag
	}
	did := map[string]int{}
	for i := range seeds {
		seed := *firstFlag + uint64(i)
		w, err := run(seed, steps(seed, *stepsFlag))
		if err != nil {
			report(t, seed, err)
			return
		}
		for what, n := range w.did {
			if what == "rounds to agree" {
				did[what] = max(did[what], n)
			} else {
				did[what] += n
			}
		}
	}
	for _, what := range slices.Sorted(maps.Keys(did)) {
		t.Logf("%6d %s", did[what], what)
	}
	for _, what := range must {
		require.NotZero(t, did[what], "no seed met: %s", what)
	}
}

func report(t *testing.T, seed uint64, err error) {
	t.Helper()
	list := reduce(seed, steps(seed, *stepsFlag), 200)
	_, last := run(seed, list)
	t.Fatalf("seed %d: %v\nreplay: go test ./internal/sim -run 'TestSeed$' -seed %d\nshortest found:\n%s",
		seed, err, seed, trace(seed, list, last))
}

// TestSeed runs one seed and prints its steps: go test -run TestSeed -seed 123.
func TestSeed(t *testing.T) {
	seed := *seedFlag
	if seed == 0 {
		seed = 1
	}
	w, err := run(seed, steps(seed, *stepsFlag))
	if err != nil {
		t.Log(w.story())
		report(t, seed, err)
	}
}

// TestSameSeedSameStory holds the simulation to its own promise.
func TestSameSeedSameStory(t *testing.T) {
	var ends []string
	for range 2 {
		w, err := run(7, steps(7, *stepsFlag))
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
