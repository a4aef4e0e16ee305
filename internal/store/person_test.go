package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
)

// While a person writes, work in bulk keeps to one core, a piece at a time. What the program
// writes by itself changes nothing.
func TestBulkKeepsToOneCoreWhileAPersonWrites(t *testing.T) {
	opt := memoryOptions(92, memfs.New(), index.NewMemory())
	now := clock.NewManual(time.Date(2026, 5, 2, 2, 0, 0, 0, time.UTC))
	opt.Clock = now
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })

	free := func() bool {
		alone, done := s.turn()
		done()
		return !alone
	}
	require.True(t, free(), "nobody has written yet")
	own := received("OWN", "P", "H-1")
	own.Author = ""
	_, err = s.Append(t.Context(), own)
	require.NoError(t, err)
	require.True(t, free(), "the program wrote")

	typed := received("TYPED", "P", "H-1")
	typed.Author = "AOIFE"
	_, err = s.Append(t.Context(), typed)
	require.NoError(t, err)
	require.False(t, free())
	_, done := s.turn()
	second := make(chan struct{})
	go func() {
		_, done := s.turn()
		done()
		close(second)
	}()
	select {
	case <-second:
		require.Fail(t, "two pieces at once")
	case <-time.After(20 * time.Millisecond):
	}
	done()
	<-second
	now.Advance(personStays - time.Millisecond)
	require.False(t, free())
	now.Advance(time.Millisecond)
	require.True(t, free(), "the person has stopped")
}
