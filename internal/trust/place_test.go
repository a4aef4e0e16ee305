package trust

import (
	"context"
	"crypto/rand"
	"errors"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// TestSecretsLieWhereThePlaceSays: a machine with an empty disk opens what another one began,
// and leaves nothing of it on its disk but where it lies.
func TestSecretsLieWhereThePlaceSays(t *testing.T) {
	names, begun := wholefile.Folder(t.TempDir()), false
	place := func() Place {
		return Place{
			Dir: t.TempDir(), Names: names, Begun: func() bool { return begun },
			Truth: func(context.Context, store.Opening) (store.Truth, journal.Report, error) {
				return nil, journal.Report{}, errors.New("none")
			},
		}
	}
	secret, err := vault.Passphrase("abbey acorn actor adobe")
	require.NoError(t, err)
	first, err := OpenIn(place(), &secret, cheap, rand.Reader)
	require.NoError(t, err)
	begun = true
	elsewhere := place()
	second, err := OpenIn(elsewhere, &secret, cheap, rand.Reader)
	require.NoError(t, err)
	require.True(t, first.Device.Equal(second.Device))
	require.True(t, second.Opens("abbey acorn actor adobe"))
	require.NotNil(t, second.Store(store.Options{}).Truth)
	left, err := os.ReadDir(elsewhere.Dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Equal(t, ElsewhereFile, left[0].Name())
	require.Equal(t, names.Place(""), Elsewhere(elsewhere.Dir))
	require.Empty(t, Elsewhere(t.TempDir()))

	for _, gone := range []string{deviceFile, vault.FileName} {
		kept, err := names.Read(gone, 1<<20)
		require.NoError(t, err)
		require.NoError(t, names.Remove(gone))
		_, err = OpenIn(place(), &secret, cheap, rand.Reader)
		var missing *Missing
		require.ErrorAs(t, err, &missing, "%s is not made anew where records were written", gone)
		require.ErrorContains(t, err, names.Place(gone))
		require.ErrorContains(t, err, "earlier image of the database")
		require.NoError(t, names.Write(gone, kept))
	}
}
