package cli

import (
	"encoding/binary"
	"hash/crc32"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAFolderOfANewerProgramIsLeftAlone: whoever starts an older program on it is told
// that and what to do, and nothing in the folder is touched.
func TestAFolderOfANewerProgramIsLeftAlone(t *testing.T) {
	for file, raise := range map[string]func([]byte){
		"vault.key": func(b []byte) { b[len("ttvault")]++ },
		"journal/0000000001.journal": func(b []byte) { // the version, and the checksum of the head
			b[9]++
			binary.BigEndian.PutUint32(b[76:], crc32.Checksum(b[:76], crc32.MakeTable(crc32.Castagnoli)))
		},
	} {
		data := filepath.Join(t.TempDir(), "clinic")
		code, _, errs := runLine(t, "server", "init", "--data", data, "--practice", "Alder Creek Equine", "--zone", "Etc/UTC", "--owner", "M. Alder", "--no-passphrase")
		require.Zero(t, code, errs)
		path := filepath.Join(data, filepath.FromSlash(file))
		raw, err := os.ReadFile(path)
		require.NoError(t, err)
		raise(raw)
		require.NoError(t, os.WriteFile(path, raw, 0o600))
		for _, words := range [][]string{{"server", "--listen", "127.0.0.1:0", "--no-passphrase"}, {"verify"}} {
			code, _, errs := runLine(t, append(words, "--data", data)...)
			require.Equal(t, exitFailed, code, errs)
			require.Contains(t, errs, "newer version of this program", file)
			require.Contains(t, errs, "start that version", file)
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, raw, after, "%s after %v", file, words)
		}
	}
}
