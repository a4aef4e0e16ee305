package cli

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/engine"
	"thawtrail/internal/replica"
)

func TestVersionTellsEveryFormat(t *testing.T) {
	code, out, _ := runLine(t, "version", "--json")
	require.Zero(t, code)
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	for field, want := range map[string]any{
		"program": replica.Version, "engine": engine.Version, "dirty": false,
		"fold": float64(replica.Formats.Fold), "wire": float64(replica.Formats.Wire), "journal": float64(replica.Formats.Journal),
	} {
		require.Equal(t, want, got[field], field)
	}
	code, out, _ = runLine(t, "--version")
	require.Zero(t, code)
	require.Equal(t, programLine()+"\n", out)
	code, out, _ = runLine(t, "version")
	require.Zero(t, code)
	require.True(t, strings.HasPrefix(out, programLine()+"\n"), out)
	requireFits(t, out)
}

func TestVersionPrintsChangesAndNotices(t *testing.T) {
	code, out, _ := runLine(t, "version", "--changes")
	require.Zero(t, code)
	require.Contains(t, out, "0.1.0")
	requireFits(t, out)
	code, out, _ = runLine(t, "version", "--notices")
	require.Zero(t, code)
	for _, library := range []string{"google.golang.org/grpc v", "github.com/dgraph-io/badger/v4 v", "The Go programming language", "@zxing/library"} {
		require.Contains(t, out, library)
	}
	code, _, errs := runLine(t, "version", "--notices", "--changes")
	require.Equal(t, exitRefused, code, errs)
}

// full takes nothing, as a full disk.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// TestWhatDidNotComeOutIsAFailure: a recovery sheet that goes to a full disk must not
// look printed.
func TestWhatDidNotComeOutIsAFailure(t *testing.T) {
	var errs strings.Builder
	require.Equal(t, exitFailed, Main(t.Context(), []string{"version"}, full{}, &errs))
	require.Contains(t, errs.String(), "did not come out")
	require.Contains(t, errs.String(), "no space left on device")
}

// TestASlipInACommandIsKnownAgain: not only the beginning of a word is.
func TestASlipInACommandIsKnownAgain(t *testing.T) {
	for slip, meant := range map[string]string{"stokc": "stock", "recieve": "receive", "vresion": "version", "kase": "case"} {
		code, _, errs := runLine(t, slip)
		require.Equal(t, exitRefused, code)
		require.Contains(t, errs, "did you mean", slip)
		require.Contains(t, errs, meant, slip)
	}
	code, _, errs := runLine(t, "bag", "sohw")
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "show")
}
