package journal_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// How long each sync of records took is told, of one that fails too: a sick disk is slow
// before it is dead.
func TestHowLongASyncTookIsTold(t *testing.T) {
	fs := memfs.New()
	now, told := time.Duration(0), []time.Duration{}
	o := plain(fs)
	o.Synced = func(took time.Duration) { told = append(told, took) }
	_, _, err := journal.Open(o)
	require.ErrorContains(t, err, "Elapsed")
	o.Elapsed = func() time.Duration { return now }
	j, _ := mustOpen(t, o)
	slow, fails := 30*time.Millisecond, false
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Sync {
			now += slow
			if fails {
				f.Err = errors.New("input/output error")
			}
		}
		return f
	})
	mustCommit(t, j, "one", "two")
	require.Equal(t, []time.Duration{slow}, told, "one sync for both")
	slow, fails = 2*time.Second, true
	_, err = j.Commit(rawFrames([]string{"three"}))
	require.Error(t, err)
	require.Equal(t, slow, told[1])
	require.NoError(t, j.Close())
}
