package pg

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/store/journal"
	"thawtrail/internal/testrun"
)

// TestALeafOpensInItsPlaceAlone changes every byte of a stored leaf, and its place.
func TestALeafOpensInItsPlaceAlone(t *testing.T) {
	for name, key := range map[string][]byte{"plain": nil, "closed": make([]byte, 32)} {
		s, err := newSealer("p", key, nil)
		require.NoError(t, err)
		leaf := [][]byte{[]byte("a frame"), []byte("another")}
		stored, err := s.close(7, leaf)
		require.NoError(t, err)
		frames, err := s.open(7, bytes.Clone(stored))
		require.NoError(t, err)
		require.Equal(t, leaf, frames)
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

// TestLeaves cuts batches so that every frame is in one leaf, in order, and no leaf of
// several is longer than it may be.
func TestLeaves(t *testing.T) {
	testrun.Check(t, func(r *rapid.T) {
		frames := rapid.SliceOf(rapid.SliceOfN(rapid.Byte(), 1, 2*leafBytes)).Draw(r, "frames")
		var all [][]byte
		for _, leaf := range leaves(frames) {
			back, err := unpacked(packed(nil, leaf))
			require.NoError(r, err)
			require.Equal(r, leaf, back)
			if len(leaf) > 1 {
				require.LessOrEqual(r, len(packed(nil, leaf)), leafBytes)
			}
			all = append(all, leaf...)
		}
		require.Equal(r, len(frames), len(all))
		for i := range all {
			require.Equal(r, frames[i], all[i])
		}
	})
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
		stored, err := s.close(1, [][]byte{[]byte("a frame"), []byte("another")})
		require.NoError(f, err)
		f.Add(stored)
	}
	f.Fuzz(func(t *testing.T, stored []byte) {
		if _, err := closed.open(2, bytes.Clone(stored)); err == nil {
			t.Fatal("what was closed for another place opened")
		}
		if frames, err := open.open(1, bytes.Clone(stored)); err == nil {
			again, err := open.close(1, frames)
			require.NoError(t, err)
			require.Equal(t, stored, again)
		}
	})
}
