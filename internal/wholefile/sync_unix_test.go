//go:build !windows

package wholefile

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAFolderThatCannotBeOpenedIsNotSynced: a rename in it is not called durable.
func TestAFolderThatCannotBeOpenedIsNotSynced(t *testing.T) {
	require.NoError(t, syncFolder(t.TempDir()))
	require.ErrorContains(t, syncFolder(filepath.Join(t.TempDir(), "gone")), "gone")
}
