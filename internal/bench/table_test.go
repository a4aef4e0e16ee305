package bench

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Results are added to a table, which has one head, and says nothing of where it was made.
func TestResultsAreKeptAsATable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "speed.tsv")
	for range 2 {
		require.NoError(t, Run(t.Context(), Config{Only: "pick_60", Quick: true, Table: path, Out: &bytes.Buffer{}, Dir: t.TempDir()}))
	}
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	require.Len(t, lines, 3)
	require.Equal(t, strings.TrimSpace(tableHead), lines[0])
	for _, line := range lines[1:] {
		require.Len(t, strings.Split(line, "\t"), len(strings.Split(lines[0], "\t")))
		require.Equal(t, "pick_60", strings.Split(line, "\t")[3])
	}
	host, err := os.Hostname()
	require.NoError(t, err)
	require.NotContains(t, string(text), "\t"+host)
}

// The table that is kept with the source is whole.
func TestKeptTable(t *testing.T) {
	text, err := os.ReadFile("../../testdata/bench/speed.tsv")
	require.NoError(t, err)
	head, rows, _ := strings.Cut(string(text), "\n")
	require.Equal(t, strings.TrimSpace(tableHead), head)
	for line := range strings.Lines(rows) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, cells, len(strings.Split(head, "\t")), line)
		require.Contains(t, Names(), cells[3])
		_, err := time.Parse(time.DateOnly, cells[1])
		require.NoError(t, err)
	}
}

// The best counts; the median and the spread stand beside it.
func TestRoundsAreTold(t *testing.T) {
	ours, limits := []time.Duration{30, 20, 60}, []time.Duration{10, 10, 11}
	r := inRounds("x", 5, ours, limits, "a limit")
	require.InDelta(t, 2, r.Ratio, 1e-9)
	require.EqualValues(t, 200, r.More["spread_pct"])
	require.EqualValues(t, 10, r.More["limit_spread_pct"])
	require.Equal(t, 3, r.More["rounds"])
}

// Another's work is what the processors did beside this program's own.
func TestWorkOfOthers(t *testing.T) {
	before := load{all: 1000, busy: 500, own: 100}
	require.EqualValues(t, 20, load{all: 2000, busy: 1100, own: 500}.others(before))
	require.Zero(t, load{all: 2000, busy: 900, own: 500}.others(before), "one's own alone")
	require.Zero(t, before.others(before))
	for share, warned := range map[int64]bool{0: false, 4: false, 5: true} {
		results := []Result{{Name: "x"}}
		note(results, share)
		require.Equal(t, share, results[0].More["others_cpu_pct"])
		require.Equal(t, warned, results[0].More["warning"] != nil)
	}
}

// The system's counts are read: this program's own work is in them.
func TestLoadIsRead(t *testing.T) {
	before, ok := loadNow()
	if _, err := os.Stat("/proc/stat"); err != nil {
		require.False(t, ok)
		return
	}
	require.True(t, ok)
	after := before
	for n := 0; after.own < before.own+5; n++ {
		after, _ = loadNow()
	}
	require.Greater(t, after.all, before.all)
	require.Greater(t, after.busy, before.busy)
}
