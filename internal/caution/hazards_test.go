package caution_test

import (
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
