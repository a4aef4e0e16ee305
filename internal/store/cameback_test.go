package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// A replica whose newest records were lost begins new logs. When a log that it had lost
// comes back from another replica, whose clock was ahead, a later start must not take it
// for the newest: what it wrote in it before may be held elsewhere.
func TestALostLogThatComesBackIsNotWrittenOn(t *testing.T) {
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	old := fs.CrashClone(memfs.Keep)
	now := opt.Clock.(*clock.Manual)
	now.Advance(time.Hour)
	require.NoError(t, s.NewEpoch(lostHere))
	lost := s.OwnLogs()
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	other := openMemory(t, 12)
	give(t, s, other)
	require.NoError(t, s.Close())

	now.SetWall(night)
	// The disk of some time ago comes back. Nothing there knows what was written since.
	opt.FS, opt.Index, opt.Random = old, (&indextest.Trail{}).Reopened(), chacha(95)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.NoError(t, s.NewEpoch(lostHere), "as after a loss that was noticed")
	_, err = s.Append(t.Context(), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	for _, id := range lost { // the opening alone, as when the rest is still on its way
		run, _, err := other.ReadRun(t.Context(), id, 0, 1)
		require.NoError(t, err)
		_, err = s.Ingest(t.Context(), []*pb.Run{run})
		require.NoError(t, err)
	}
	given := s.OwnLogs()
	require.NotEqual(t, lost, given)
	require.NoError(t, s.Close())

	trail = &indextest.Trail{}
	for range 2 { // and the start after that begins none any more
		opt.Index, opt.Random = trail.Reopened(), chacha(96)
		s, err = Open(t.Context(), opt)
		require.NoError(t, err)
		for _, id := range s.OwnLogs() {
			require.NotContains(t, lost, id)
			require.NotContains(t, given, id)
			l, ok := s.Log(id)
			require.True(t, ok)
			require.EqualValues(t, 2, l.Epoch)
			require.Len(t, l.Before, 2)
		}
		require.NoError(t, s.Close())
		trail = opt.Index.(*indextest.Trail)
	}
}
