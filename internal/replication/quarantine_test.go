package replication

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// A run that is kept aside, and the reason beside it, are kept as all else in the
// folder is: nothing of them is written past the function that seals.
func TestNothingIsKeptAsideInTheClear(t *testing.T) {
	var kept []string
	dir := t.TempDir()
	r := &replica.Replica{Clock: clock.NewManual(entrytest.Night), Quarantine: dir, KeepFile: func(path string, _ []byte) error {
		kept = append(kept, filepath.Ext(path))
		return nil
	}}
	quarantine(r, &pb.Run{Log: make([]byte, 32)}, &exchange.Refusal{Why: exchange.BrokenSignature})
	require.Equal(t, []string{".run", ".txt"}, kept)
	clear, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Empty(t, clear)
}
