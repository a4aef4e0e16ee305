package trust

import (
	"bytes"
	"crypto/rand"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store"
	"thawtrail/internal/trust/vault"
)

// cheap is the cost of passphrases in tests; the arithmetic is the same.
var cheap = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

// TestEveryFlippedByteOfAKeyFileIsFound: a laptop never goes on with another key
// than its own. With one, it would be another device, and its records would be
// refused.
func TestEveryFlippedByteOfAKeyFileIsFound(t *testing.T) {
	passphrase, err := vault.Passphrase("abbey acorn actor adobe alarm")
	require.NoError(t, err)
	for name, secret := range map[string]*vault.Secret{"encrypted": &passphrase, "plain": nil} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			home, err := OpenIn(InFolder(dir), secret, cheap, rand.Reader)
			require.NoError(t, err)
			_, err = OpenIn(InFolder(dir), secret, cheap, rand.Reader)
			require.NoError(t, err)
			path := filepath.Join(dir, deviceFile)
			good, err := os.ReadFile(path)
			require.NoError(t, err)
			damaged := map[string][]byte{"empty": {}, "twice": append(bytes.Clone(good), good...)}
			for i := range good {
				for _, bit := range []byte{1, 0x80} {
					bad := bytes.Clone(good)
					bad[i] ^= bit
					damaged[string(rune(i))+string(rune(bit))] = bad
				}
				damaged["cut"+string(rune(i))] = good[:i]
			}
			for what, bad := range damaged {
				require.NoError(t, os.WriteFile(path, bad, 0o600))
				again, err := Open(dir, secret, rand.Reader)
				require.Error(t, err, "%q: %v", what, again)
				left, err := os.ReadFile(path)
				require.NoError(t, err)
				require.Equal(t, bad, left, "what is left of it is not written over")
			}
			require.NoError(t, os.WriteFile(path, good, 0o600))
			again, err := Open(dir, secret, rand.Reader)
			require.NoError(t, err)
			require.True(t, home.Device.Equal(again.Device))
		})
	}
}

// TestTwoFirstStarts in one folder at once: it has the keys of one of them.
func TestTwoFirstStarts(t *testing.T) {
	for range 20 {
		dir := filepath.Join(t.TempDir(), "new")
		homes, errs := make([]*Home, 4), make([]error, 4)
		var group sync.WaitGroup
		for i := range homes {
			group.Go(func() { homes[i], errs[i] = Open(dir, nil, rand.Reader) })
		}
		group.Wait()
		last, err := Open(dir, nil, rand.Reader)
		require.NoError(t, err)
		for i, h := range homes {
			if errs[i] != nil {
				require.ErrorIs(t, errs[i], store.ErrLocked)
				continue
			}
			require.True(t, last.Device.Equal(h.Device), "it goes on with the key that is on the disk")
		}
	}
}

// TestAJournalThatCannotBeListed is not taken for none: what is missing beside it is
// not made anew.
func TestAJournalThatCannotBeListed(t *testing.T) {
	dir := t.TempDir()
	require.False(t, Begun(dir))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "journal"), nil, 0o600)) // as a damaged folder looks
	require.True(t, Begun(dir))
	_, err := Open(dir, nil, rand.Reader)
	require.ErrorContains(t, err, vault.FileName)
	require.NoFileExists(t, filepath.Join(dir, deviceFile))
}
