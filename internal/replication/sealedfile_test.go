package replication

import (
	"crypto/sha256"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestASealedFileIsWholeOrAbsent: a backup that comes from elsewhere breaks off, is not
// what its sender sent, or is whole; what stood at its place before stays until then.
func TestASealedFileIsWholeOrAbsent(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "clinic.books")
	require.NoError(t, os.WriteFile(path, []byte("the one before"), 0o600))
	require.NoError(t, os.WriteFile(PartOf(path), []byte("a part of another one, longer than what comes now"), 0o600))
	sent := []byte("what the server sent")
	sum := sha256.Sum256(sent)
	receive := func(sum []byte, err error) func(io.Writer) ([]byte, error) {
		return func(to io.Writer) ([]byte, error) {
			_, failed := to.Write(sent)
			return sum, errors.Join(failed, err)
		}
	}
	cut := errors.New("the link broke")
	for name, fails := range map[string]func(io.Writer) ([]byte, error){
		"cut": receive(sum[:], cut), "no sum": receive(nil, nil), "another sum": receive(make([]byte, 32), nil),
	} {
		_, err := SealedFile(path, fails)
		require.Error(t, err, name)
		stands, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, "the one before", string(stands), name)
		require.NoFileExists(t, PartOf(path), name)
	}
	size, err := SealedFile(path, receive(sum[:], nil))
	require.NoError(t, err)
	require.EqualValues(t, len(sent), size)
	stands, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, sent, stands)
	_, err = SealedFile(filepath.Join(dir, "no folder", "x"), receive(sum[:], nil))
	require.ErrorContains(t, err, "a file that can be written")
}
