package cli

import (
	"path/filepath"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/pg"
	"thawtrail/internal/store/pg/pgtest"
)

// What checks a stopped practice looks into the database that holds it, and finds what was
// changed there; what opens it is changed there too.
func TestAStoppedPracticeInADatabaseIsChecked(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	url := pgtest.Begin(t).URL()
	data, old, key := filepath.Join(t.TempDir(), "alder"), passphraseFile(t), filepath.Join(t.TempDir(), "key")
	run := func(want int, words ...string) string {
		t.Helper()
		code, out, errs := runLine(t, append(words, "--data", data, "--database", url)...)
		require.Equal(t, want, code, out+errs)
		return out + errs
	}
	run(0, "server", "init", "--practice", "Alder Creek Equine", "--zone", "Etc/UTC", "--owner", "M. Alder", "--passphrase-file", old)
	require.Contains(t, run(0, "verify", "--passphrase-file", old), "no damage was found")
	require.Contains(t, run(0, "losses", "--passphrase-file", old), "Nothing is known to be gone")
	run(0, "passphrase", "--passphrase-file", old, "--new-key-file", key)
	require.Contains(t, run(exitFailed, "verify", "--passphrase-file", old), "other kind of secret")
	run(0, "verify", "--key-file", key)

	d, err := pg.Open(t.Context(), pg.Options{URL: url})
	require.NoError(t, err)
	t.Cleanup(d.Close)
	lease, err := d.Take(t.Context(), filepath.Base(data), "")
	require.NoError(t, err)
	require.Contains(t, run(exitRefused, "verify", "--key-file", key), "stop it first")
	require.NoError(t, lease.Names().Remove("device.key"))
	require.NoError(t, lease.Give())
	require.Contains(t, run(exitFailed, "losses", "--key-file", key), "device.key")

	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(t.Context())) }()
	_, err = conn.Exec(t.Context(), `UPDATE thawtrail_leaf SET leaf = overlay(leaf placing '\x0000'::bytea from length(leaf) / 2)`)
	require.NoError(t, err)
	require.Contains(t, run(exitFailed, "verify", "--key-file", key), "0 records read. The first that is wrong")
}
