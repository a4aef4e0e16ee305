package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAllThatIsHeldOnAClient exports one client's records and no other's, and
// again once the client is forgotten.
func TestAllThatIsHeldOnAClient(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	l.names["HOLLIS"] = l.made("client add --name 'P. Hollis' --telephone '0491 570 156'")[0]
	l.names["OTHER"] = l.made("client add --name '=cmd|calc'")[0]
	l.names["CASE"] = l.made("open foal --dam 'Quiet Harbour' --sex filly --client HOLLIS --clock-right")[0]
	l.types(exitDone, "weigh CASE 52.5 --how scale")
	l.made("open foal --dam 'Loud Bay' --sex colt --client OTHER --clock-right")
	file := filepath.Join(t.TempDir(), "export.json")
	export := func() (raw string) {
		t.Helper()
		l.types(exitDone, "client export HOLLIS --out "+file)
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		require.True(t, json.Valid(text))
		info, err := os.Stat(file)
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077)
		return string(text)
	}
	text := export()
	for _, held := range []string{"P. Hollis", "0491 570 156", "Quiet Harbour", "52500"} {
		require.Contains(t, text, held)
	}
	require.NotContains(t, text, "Loud Bay")
	require.NotContains(t, text, "calc")

	l.types(exitDone, "client forget HOLLIS --reason 'asked for'")
	text = export()
	require.Contains(t, text, `"forgotten"`)
	require.NotContains(t, text, "0491 570 156")
}
