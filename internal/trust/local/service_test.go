//go:build unix

package local

import (
	"crypto/rand"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A user without a home, such as a service's own, has a folder for doors all the same, and
// nobody else enters it.
func TestDoorsNeedNoHome(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", "")
	t.Setenv("XDG_CACHE_HOME", "")
	t.Setenv("TMPDIR", t.TempDir())
	file := filepath.Join(t.TempDir(), "no folder")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	for _, home := range []string{"", file} {
		t.Setenv("HOME", home)
		dir, err := folder()
		require.NoError(t, err)
		require.NoError(t, onlyOurs(dir))
	}
}

// The doors of a service stand in the folder that its installation made, with a socket for
// that folder's group. A folder that everybody can enter, or a group can change, is refused.
func TestTheDoorsOfAService(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	data, doors := t.TempDir(), t.TempDir()
	t.Setenv(envDoors, doors)
	for _, mode := range []os.FileMode{0o755, 0o770} {
		require.NoError(t, os.Chmod(doors, mode))
		o, err := Open(data, "127.0.0.1:41998", doors, nil, rand.Reader)
		require.NoError(t, err)
		require.ErrorContains(t, o.Unwritten, "lets others in")
		o.Close()
	}
	require.NoError(t, os.Chmod(doors, 0o750))
	o, err := Open(data, "127.0.0.1:41998", doors, nil, rand.Reader)
	require.NoError(t, err)
	defer o.Close()
	require.NoError(t, o.Unwritten)
	require.Equal(t, doors, filepath.Dir(o.Socket))
	info, err := os.Stat(o.Socket)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o660), info.Mode().Perm())
	d, err := OfAddress("127.0.0.1:41998")
	require.NoError(t, err)
	require.Equal(t, o.Door, d)
	require.NoError(t, os.Remove(filepath.Join(data, doorFile)))
	d, err = OfData(data)
	require.NoError(t, err)
	require.Equal(t, o.Door, d)
}
