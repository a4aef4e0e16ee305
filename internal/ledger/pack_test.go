package ledger

import (
	"slices"
	"testing"

	"github.com/fxamacker/cbor/v2"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// checkPacked says that all fields of a line come back, that one that was read into before
// reads as a new one does, and that bytes which are no line are an error and nothing worse.
func checkPacked[L any](fields func(*L) func(*packing)) func(*rapid.T) {
	draw := rapid.Make[L]()
	return func(t *rapid.T) {
		line, used := draw.Draw(t, "line"), draw.Draw(t, "used")
		packed := pack(fields(&line))
		for _, read := range []*L{new(L), &used} {
			require.NoError(t, unpack(string(packed), fields(read)))
			require.Equal(t, plain(t, line), plain(t, *read))
		}
		cut := packed[:rapid.IntRange(0, len(packed)-1).Draw(t, "cut")]
		wrong := slices.Clone(packed)
		wrong[rapid.IntRange(0, len(wrong)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
		for _, in := range [][]byte{cut, wrong, rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")} {
			_ = unpack(string(in), fields(new(L)))
		}
	}
}

// plain is every field of a line by its name; what is empty is as good as nil.
func plain(t require.TestingT, line any) string {
	mode, err := cbor.EncOptions{NilContainers: cbor.NilContainerAsEmpty}.EncMode()
	require.NoError(t, err)
	b, err := mode.Marshal(line)
	require.NoError(t, err)
	text, err := cbor.Diagnose(b)
	require.NoError(t, err)
	return text
}

func TestBagLinesPacked(t *testing.T) {
	testrun.Check(t, checkPacked(func(l *BagLine) func(*packing) { return l.fields }))
}

func TestBagBooksPacked(t *testing.T) {
	testrun.Check(t, checkPacked(func(l *BagBooks) func(*packing) { return l.fields }))
}

func TestCaseLinesPacked(t *testing.T) {
	testrun.Check(t, checkPacked(func(l *CaseLine) func(*packing) { return l.fields }))
}
