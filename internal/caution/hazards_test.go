package caution_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestHazardsNameRealTests: every room and file that HAZARDS.md names is there, and
// every row names one.
func TestHazardsNameRealTests(t *testing.T) {
	text, err := os.ReadFile("HAZARDS.md")
	require.NoError(t, err)
	named := regexp.MustCompile("`((?:internal|agent|testdata)/[\\w/.]+|\\w+_test\\.go)`")
	rows := 0
	for _, line := range strings.Split(string(text), "\n") {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| hazard") {
			continue
		}
		rows++
		found := named.FindAllStringSubmatch(line, -1)
		require.NotEmpty(t, found, "no test stands against: %s", line)
		room := ""
		for _, m := range found {
			path := m[1]
			if strings.Contains(path, "/") {
				room = filepath.Dir(path)
			} else {
				path = filepath.Join(room, path) // another file of the room before it
			}
			_, err := os.Stat(filepath.Join("../..", path))
			require.NoError(t, err, line)
		}
	}
	require.Greater(t, rows, 10)
}

// TestHazardsHaveVignettes links every hazard with its patients, both ways.
func TestHazardsHaveVignettes(t *testing.T) {
	text, err := os.ReadFile("HAZARDS.md")
	require.NoError(t, err)
	patients := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^\| ([^|]+) \|`).FindAllStringSubmatch(string(text), -1) {
		if m[1] != "hazard" {
			patients[m[1]] = 0
		}
	}
	all, seen := 0, map[string]bool{}
	for _, table := range []string{"plans.csv", "nights.csv"} {
		f, err := os.Open(filepath.Join("../../testdata/vignettes", table))
		require.NoError(t, err)
		defer f.Close()
		r := csv.NewReader(f)
		r.Comment = '#'
		rows, err := r.ReadAll()
		require.NoError(t, err)
		for _, row := range rows[1:] {
			_, known := patients[row[0]]
			require.True(t, known, "%s of %s: no hazard of that name in HAZARDS.md", row[0], table)
			require.False(t, seen[table+row[1]], "two patients are called %q", row[1])
			seen[table+row[1]] = true
			patients[row[0]]++
			all++
		}
	}
	for hazard, n := range patients {
		require.Positive(t, n, "no vignette tries: %s", hazard)
	}
	require.Greater(t, all, 150)
}
