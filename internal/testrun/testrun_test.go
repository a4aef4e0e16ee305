package testrun

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestOf moves the switch through its positions.
func TestOf(t *testing.T) {
	for position, want := range map[string]int{"": 3, "whole": 40, "long": 40} {
		t.Setenv(Switch, position)
		require.Equal(t, want, Of(3, 40), position)
		require.Equal(t, position == "long", Long(), position)
	}
	t.Setenv(Switch, "long")
	first, second := Seed(), Seed()
	require.NotEqual(t, first, second, "a long run draws new seeds")
	t.Setenv(Switch, "whole")
	require.EqualValues(t, fixed, Seed())
	t.Setenv(Switch, "hole")
	require.Panics(t, func() { Of(3, 40) }, "a slip must not run less than was asked for")
}

// TestPropertiesRunTheSameEachTime draws the same numbers in two runs.
func TestPropertiesRunTheSameEachTime(t *testing.T) {
	if Long() {
		return // new seeds are what it is for
	}
	drawn := func() (all []uint64) {
		Check(t, func(t *rapid.T) { all = append(all, rapid.Uint64().Draw(t, "n")) })
		return all
	}
	first := drawn()
	require.NotEmpty(t, first)
	require.Equal(t, first, drawn())
}

// TestEveryPropertyHasASeed finds properties that go past Check.
func TestEveryPropertyHasASeed(t *testing.T) {
	seen := 0
	require.NoError(t, filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "testrun/testrun.go") || strings.HasSuffix(path, "testrun/testrun_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		seen += strings.Count(string(text), "testrun.Check(")
		assert.False(t, strings.Contains(string(text), "rapid.Check("), "%s: call testrun.Check, which fixes the seed", path)
		assert.False(t, strings.Contains(string(text), "testing.Short()"), "%s: ask testrun.Of, the one switch of long tests", path)
		return err
	}))
	require.Greater(t, seen, 20)
}
