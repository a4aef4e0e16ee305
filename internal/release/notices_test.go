package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestTheNoticesAreOfTheLibrariesThatAreThere: a library that came, went or moved to
// another version has its notice in the program.
func TestTheNoticesAreOfTheLibrariesThatAreThere(t *testing.T) {
	t.Chdir("../..")
	kept, err := os.ReadFile(noticesFile)
	require.NoError(t, err)
	fresh, err := notices(t.Context())
	require.NoError(t, err)
	require.Equal(t, len(fresh), len(kept), "write them anew: go run ./internal/release notices")
	require.True(t, fresh == string(kept), "write them anew: go run ./internal/release notices")
	require.Contains(t, fresh, "github.com/inconshreveable/mousetrap v", "a library of Windows alone")
}

// TestOneTextStandsOnce, below the names of all that share it.
func TestOneTextStandsOnce(t *testing.T) {
	dir := t.TempDir()
	texts := map[string][]string{}
	for _, name := range []string{"b v1", "a v2"} {
		path := filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(path, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(path, "LICENSE.md"), []byte("Do as you like.\r\n"), 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(path, "licenses.go"), []byte("package b"), 0o600))
		n, err := gatherFolder(texts, name, path)
		require.NoError(t, err)
		require.Equal(t, 1, n)
	}
	got := layNotices(texts)
	require.Equal(t, 1, strings.Count(got, "Do as you like."))
	require.Contains(t, got, "a v2\nb v1\n")
}
