package agent_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// phraseFile is the passphrase of a test's folders as commands take it.
func phraseFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "passphrase")
	require.NoError(t, os.WriteFile(path, []byte(passphrase+"\n"), 0o600))
	return path
}

// TestTwoProgramsOnOneFolder: the second is refused on one line that says what to
// do, and the first is not disturbed.
func TestTwoProgramsOnOneFolder(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	phrase := phraseFile(t)
	for dir, args := range map[string][]string{
		l.dir: {"agent", "--listen", "127.0.0.1:0"},
		c.dir: {"server", "--listen", "127.0.0.1:0"},
	} {
		code, printed := command(t, append(args, "--data", dir, "--passphrase-file", phrase)...)
		require.Equal(t, 1, code, printed)
		require.Equal(t, "thawtrail: "+dir+": in use by another process: stop the agent or server that runs on this folder first\n", printed)
	}
	l.enter("J. Reed", place("north freezer").Entry)
	c.same(l)
}
