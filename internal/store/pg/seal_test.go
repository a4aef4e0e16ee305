package pg

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
)

// TestAFrameOpensInItsPlaceAlone changes every byte of a stored frame, and its place.
func TestAFrameOpensInItsPlaceAlone(t *testing.T) {
	for name, key := range map[string][]byte{"plain": nil, "closed": make([]byte, 32)} {
		s, err := newSealer("p", key, nil)
		require.NoError(t, err)
		stored, err := s.close(7, []byte("a frame"))
		require.NoError(t, err)
		frame, err := s.open(7, bytes.Clone(stored))
		require.NoError(t, err)
		require.Equal(t, "a frame", string(frame))
		for i := range stored {
			bad := bytes.Clone(stored)
			bad[i] ^= 0x40
			_, err := s.open(7, bad)
			require.Error(t, err, "%s: byte %d", name, i)
			_, err = s.open(7, bytes.Clone(stored[:i]))
			require.Error(t, err, "%s: cut at %d", name, i)
		}
		if key == nil {
			continue
		}
		_, err = s.open(8, bytes.Clone(stored))
		require.Error(t, err, "at another position")
		other, err := newSealer("q", key, nil)
		require.NoError(t, err)
		_, err = other.open(7, bytes.Clone(stored))
		require.Error(t, err, "in another practice")
	}
}

func TestPositionsAreNumbers(t *testing.T) {
	var before journal.Position
	for _, n := range []int64{1, 2, 1<<32 - 1, 1 << 32, 1<<32 + 1, 1 << 40} {
		p := position(n)
		require.Equal(t, n, number(p))
		require.Positive(t, p.Compare(before))
		before = p
	}
	require.Zero(t, number(journal.Position{Offset: 9}))
}

// FuzzOpen opens whatever a database may hold.
func FuzzOpen(f *testing.F) {
	closed, err := newSealer("p", make([]byte, 32), nil)
	require.NoError(f, err)
	open, err := newSealer("p", nil, nil)
	require.NoError(f, err)
	for _, s := range []sealer{closed, open} {
		stored, err := s.close(1, []byte("a frame"))
		require.NoError(f, err)
		f.Add(stored)
	}
	f.Fuzz(func(t *testing.T, stored []byte) {
		if _, err := closed.open(2, bytes.Clone(stored)); err == nil {
			t.Fatal("what was closed for another place opened")
		}
		if frame, err := open.open(1, bytes.Clone(stored)); err == nil {
			again, err := open.close(1, frame)
			require.NoError(t, err)
			require.Equal(t, stored, again)
		}
	})
}
