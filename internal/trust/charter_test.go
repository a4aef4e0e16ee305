package trust

import (
	"bytes"
	"crypto/rand"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// decay changes one byte of a file.
func decay(t *testing.T, path string) {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	bad := bytes.Clone(raw)
	bad[len(bad)/2] ^= 1
	require.NoError(t, os.WriteFile(path, bad, 0o600))
}

// A key file that decays while the program runs does not take its second place with
// it when more is kept there: it is put back from it.
func TestADamagedKeyFileDoesNotSpread(t *testing.T) {
	dir := t.TempDir()
	home, err := Open(dir, nil, rand.Reader)
	require.NoError(t, err)
	_, err = home.KeepCharter(nil)
	require.NoError(t, err)
	decay(t, filepath.Join(dir, deviceFile))
	mended, err := home.KeepCharter([]*pb.Run{{Log: []byte("a log")}})
	require.NoError(t, err)
	require.Len(t, mended, 1)
	require.Contains(t, mended[0], deviceFile+" was damaged and is put back")
	again, err := Open(dir, nil, rand.Reader)
	require.NoError(t, err)
	require.True(t, home.Device.Equal(again.Device))
}

// A second place that decays while the program runs is written anew although there is
// nothing new to keep in it.
func TestADamagedSecondPlaceIsWrittenAnew(t *testing.T) {
	dir, runs := t.TempDir(), []*pb.Run{{Log: []byte("a log")}}
	home, err := Open(dir, nil, rand.Reader)
	require.NoError(t, err)
	_, err = home.KeepCharter(runs)
	require.NoError(t, err)
	for what, spoil := range map[string]func(path string){
		"decayed": func(path string) { decay(t, path) },
		"gone":    func(path string) { require.NoError(t, os.Remove(path)) },
	} {
		spoil(filepath.Join(dir, charterFile))
		mended, err := home.KeepCharter(runs)
		require.NoError(t, err, what)
		require.Len(t, mended, 1, what)
		require.Contains(t, mended[0], charterFile)
		again, err := Open(dir, nil, rand.Reader)
		require.NoError(t, err)
		kept, whole := again.Charter()
		require.True(t, whole, what)
		require.Len(t, kept, 1, what)
		mended, err = home.KeepCharter(runs)
		require.NoError(t, err)
		require.Empty(t, mended, "once")
	}
}
