package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
)

// Records that come one by one share rows, and each is found by seq and by hash,
// also after the index was built again in other pieces.
func TestExtentsGrow(t *testing.T) {
	const n = 300
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(11, fs, index.NewMemory()))
	require.NoError(t, err)
	var hashes []string
	for i := range n {
		recs, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
		require.NoError(t, s.CatchUp(t.Context()))
		hashes = append(hashes, recs[0].Hash.String())
	}
	rows := 0
	require.NoError(t, s.opt.Index.View(func(r index.Reader) error {
		return r.Scan([]byte("p/"), nil, false, func(_, _ []byte) (bool, error) {
			rows++
			return true, nil
		})
	}))
	require.LessOrEqual(t, rows, n/growExtent+3)
	check := func(s *Store) {
		own := s.OwnLogs()[0]
		for i, h := range hashes {
			recs := s.projection.RecordsAt(own, uint64(i)+1)
			require.Len(t, recs, 1)
			require.Equal(t, h, recs[0].Hash.String())
			found, err := s.FindRecord(h[:12])
			require.NoError(t, err)
			require.Equal(t, h, found.Hash.String())
		}
	}
	check(s)
	require.NoError(t, s.Close())
	s, err = Open(t.Context(), memoryOptions(11, fs, index.NewMemory()))
	require.NoError(t, err)
	check(s)
	require.NoError(t, s.Close())
}
