package cli

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestADashIsAStream prints where a file is asked for, byte for byte, with what is said of it
// beside it; and reads what another program gives.
func TestADashIsAStream(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	l.names["HOLLIS"] = l.made("client add --name 'P. Hollis'")[0]
	file := filepath.Join(t.TempDir(), "hollis.json")
	l.types(exitDone, "client export HOLLIS --out "+file)
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	out, errs := l.types(exitDone, "client export HOLLIS --out -")
	require.JSONEq(t, string(want), out)
	require.Contains(t, errs, "in clear")
	_, err = os.Stat("-")
	require.ErrorIs(t, err, os.ErrNotExist, "no file is called -")

	out, errs = l.pipes(exitDone, "name,telephone\nB. Ward,0491 570 157\n", "import - --kind clients")
	require.Contains(t, out+errs, "1 row would be saved")
	_, errs = l.pipes(exitFailed, "no proof", "audit verify-proof -")
	require.Contains(t, errs, "proof")

	l.pipes(exitDone, "4711\n", "pin set 'M. Alder' --pin-file -")
	_, errs = l.pipes(exitRefused, "4712\n4711\n", "pin set 'M. Alder' --pin-file - --old-pin-file -")
	require.Contains(t, errs, "read already")
}
