package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
)

// An older copy of the journal is written on until it is longer than it was; then
// the index of the old end comes back. Its cursor lies inside the journal, but at
// other records, and it is not believed.
func TestIndexOfAnotherEnd(t *testing.T) {
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	s, err := Open(t.Context(), memoryOptions(25, fs, trail))
	require.NoError(t, err)
	older := fs.CrashClone(memfs.Keep)
	for i := range 5 {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("GONE%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	digest(t, s)
	own := s.OwnLogs()
	end := s.truth.End()
	require.NoError(t, s.Close())

	opt := memoryOptions(25, older, index.NewMemory())
	opt.Random = chacha(96)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	for i := range 9 {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("OTHER%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	require.Positive(t, s.truth.End().Compare(end))
	require.NoError(t, s.Close())

	opt.Index, opt.Random = trail.Reopened(), chacha(95)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.NotEmpty(t, s.Repairs())
	for _, id := range s.OwnLogs() {
		require.NotContains(t, own, id)
	}
	requireRebuilt(t, s, opt)
	require.NoError(t, s.Close())
}
