package index

import (
	"bytes"
	"strings"
	"testing"

	"github.com/klauspost/compress/s2"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// Every value comes back as it was, and a long one that repeats itself is short in
// the tables.
func TestPackedValuesComeBack(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		part := rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "part")
		value := bytes.Repeat(part, rapid.IntRange(0, 200).Draw(t, "times"))
		e := packed("key", value)
		got, err := unpacked(e.Value, e.UserMeta)
		require.NoError(t, err)
		require.True(t, bytes.Equal(value, got))
		require.LessOrEqual(t, len(e.Value), len(value))
		require.Equal(t, len(e.Value) < len(value), e.UserMeta == packedValue)
	})
	require.Less(t, len(packed("key", []byte(strings.Repeat("bag 7K2M ", 200))).Value), 200)
}

// What is no packed value is an error, and never takes more memory than a value may.
func TestBadPackedValuesAreRefused(t *testing.T) {
	good := packed("key", bytes.Repeat([]byte("bag"), 1000)).Value
	huge := s2.Encode(nil, make([]byte, mostValue+1))
	for name, stored := range map[string][]byte{"empty": {}, "cut": good[:len(good)-1], "huge": huge, "text": []byte("not packed")} {
		_, err := unpacked(stored, packedValue)
		require.ErrorIs(t, err, errDamage, name)
	}
	_, err := unpacked(good, 7)
	require.ErrorIs(t, err, errDamage)
}

// A long value is the same in a view, in a scan and after a restart.
func TestLongValuesOnTheDisk(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		long := strings.Repeat("vitals noted; ", 300)
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1", "b", long, "c", "")
		for range 2 {
			require.Equal(t, []string{"a=1", "b=" + long, "c="}, listAll(t, ix))
			require.NoError(t, ix.View(func(r Reader) error {
				value, ok, err := r.Get([]byte("b"))
				require.True(t, ok)
				require.Equal(t, long, string(value))
				return err
			}))
			require.NoError(t, ix.Close())
			ix = mustOpen(t, o, Clean)
		}
		require.NoError(t, ix.Close())
	})
}
