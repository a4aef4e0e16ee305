package logfile

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A log that is written for ever takes a bounded room, holds the newest lines, and no line
// is divided between two files. It goes on where an earlier run ended.
func TestALogIsBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logs", "server.log")
	const most, lines = 1000, 1000
	var f *File
	for i := range lines {
		if i%100 == 0 { // another run
			if f != nil {
				require.NoError(t, f.Close())
			}
			var err error
			f, err = openBounded(path, most)
			require.NoError(t, err)
		}
		n, err := fmt.Fprintf(f, "line %d of the log\n", i)
		require.NoError(t, err)
		require.NotZero(t, n)
	}
	require.NoError(t, f.Close())
	var all []byte
	for i := older; i >= 0; i-- {
		name := path
		if i > 0 {
			name = numbered(path, i)
		}
		raw, err := os.ReadFile(name)
		require.NoError(t, err)
		require.LessOrEqual(t, len(raw), most)
		require.True(t, bytes.HasSuffix(raw, []byte("\n")))
		all = append(all, raw...)
	}
	require.NoFileExists(t, numbered(path, older+1))
	require.True(t, bytes.HasSuffix(all, fmt.Appendf(nil, "line %d of the log\n", lines-1)))
	first := 0
	_, err := fmt.Sscanf(string(all), "line %d of", &first)
	require.NoError(t, err)
	require.Equal(t, lines-first, bytes.Count(all, []byte("\n")), "no line is missing between the oldest and the newest")
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077)
}
