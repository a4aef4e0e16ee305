package replication

import (
	"context"
	"crypto/rand"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/bundle"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// A disk that is full in the middle of a backup is told with what it needs, keeps nothing of
// that try, and leaves the last good backup as it is.
func TestABackupThatFillsTheDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clinic.books")
	require.NoError(t, os.WriteFile(path, []byte("the last good one"), 0o600))
	code, err := bundle.NewCode(rand.Reader)
	require.NoError(t, err)
	src := BackupSource{Code: code, Bytes: 3_000_000, Write: func(_ context.Context, to io.Writer, on *pb.BackupMark) (Written, error) {
		require.Nil(t, on)
		_, err := to.Write(make([]byte, 1<<20))
		require.NoError(t, err)
		return Written{}, &os.PathError{Op: "write", Path: path, Err: syscall.ENOSPC}
	}}
	_, err = BackupFile(t.Context(), path, src, func(string) {})
	refused, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "file", refused.Field)
	require.ErrorContains(t, err, "a disk with 20 MB free")
	require.NoFileExists(t, PartOf(path), "it would keep the last room from records")
	kept, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "the last good one", string(kept))
}
