package trust

import (
	"crypto/rand"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/trust/vault"
)

// What a machine remembers is a convenience: a damaged file is begun anew and told, one that
// cannot be read is left as it is, and the start goes on.
func TestWhatIsRememberedStopsNoStart(t *testing.T) {
	h, err := Open(t.TempDir(), nil, rand.Reader)
	require.NoError(t, err)
	path := filepath.Join(h.Dir, keptFile)
	k, trouble := h.Kept()
	require.NoError(t, trouble)
	require.NoError(t, k.Set("backup", "Tuesday"))
	again, trouble := h.Kept()
	require.NoError(t, trouble)
	require.Equal(t, "Tuesday", again.Get("backup"))

	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	for n := range len(whole) {
		flipped := append([]byte(nil), whole...)
		flipped[n] ^= 0x40
		require.NoError(t, os.WriteFile(path, flipped, 0o600))
		k, trouble := h.Kept()
		require.ErrorContains(t, trouble, "not remembered", "byte %d", n)
		require.Empty(t, k.Get("backup"))
	}
	require.NoError(t, os.WriteFile(path, whole[:len(whole)/2], 0o600))
	k, trouble = h.Kept()
	require.Error(t, trouble)
	require.NoError(t, k.Set("backup", "Wednesday"))
	k, trouble = h.Kept()
	require.NoError(t, trouble)
	require.Equal(t, "Wednesday", k.Get("backup"))

	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Mkdir(path, 0o700))
	k, trouble = h.Kept()
	require.Error(t, trouble)
	require.NoError(t, k.Set("backup", "Thursday"), "until the program ends")
	require.DirExists(t, path)
}

// Whatever lies in the box, the start goes on, and what is set from then on is remembered.
func FuzzKept(f *testing.F) {
	h, err := Open(f.TempDir(), nil, rand.Reader)
	require.NoError(f, err)
	for _, text := range []string{"", "null", `{"backup":"Tuesday"}`, `{"backup":3}`, `["backup"]`, "{"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		_, save, err := h.Box(keptFile, vault.Kept)
		if err != nil {
			t.Fatal(err)
		}
		if err := save(data); err != nil {
			t.Fatal(err)
		}
		k, _ := h.Kept()
		if err := k.Set("ticked", "places"); err != nil {
			t.Fatal(err)
		}
		again, trouble := h.Kept()
		if trouble != nil || again.Get("ticked") != "places" {
			t.Errorf("%q: %v", data, trouble)
		}
	})
}
