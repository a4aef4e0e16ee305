package guess

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestTriesComeBackWithTime spends all tries and waits for more.
func TestTriesComeBackWithTime(t *testing.T) {
	at := time.Date(2026, 11, 24, 2, 0, 0, 0, time.UTC)
	l := New(3, 6*time.Second, at)
	spend := func() (n int) {
		for l.Allows(at) {
			l.Wrong()
			n++
		}
		return n
	}
	require.Equal(t, 3, spend())
	at = at.Add(5 * time.Second)
	require.Equal(t, 0, spend())
	at = at.Add(time.Second)
	require.Equal(t, 1, spend())
	at = at.Add(time.Hour)
	require.Equal(t, 3, spend(), "never more than at first")
	at = at.Add(-time.Hour)
	require.Equal(t, 0, spend(), "a clock that was set back gives none")
	at = at.Add(6 * time.Second)
	require.Equal(t, 1, spend(), "and locks nobody out for longer than one step")
}
