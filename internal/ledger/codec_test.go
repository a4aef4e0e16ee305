package ledger_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
)

func TestFoldOfNothing(t *testing.T) {
	require.Nil(t, ledger.Fold(bagKey, nil))
	require.Nil(t, ledger.Fold(bagKey, []ledger.Input{{}}))
	require.Nil(t, ledger.FoldRights(nil))
	w := ledgertest.New(t)
	r := w.Device("x").Write(received("car"))
	require.Nil(t, ledger.Fold(event.Key{Kind: "a kind to come", ID: "1"}, []ledger.Input{{Rec: r, Entitled: true}}))
}

func TestDecodeRefuses(t *testing.T) {
	w := ledgertest.New(t)
	w.Device("x").Write(received("car"))
	b, err := ledger.Encode(ledgertest.Fold(bagKey, w.Records()))
	require.NoError(t, err)
	_, err = ledger.Decode(event.KindBatch, b)
	require.Error(t, err)
	_, err = ledger.Decode("a kind to come", b)
	require.Error(t, err)
	_, err = ledger.Decode(event.KindBag, b[:len(b)-1])
	require.Error(t, err)
}

func FuzzDecode(f *testing.F) {
	w := ledgertest.New(f)
	w.Device("x").Write(received("car"))
	b, err := ledger.Encode(ledgertest.Fold(bagKey, w.Records()))
	require.NoError(f, err)
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := ledger.Decode(event.KindBag, b)
		if err == nil {
			_, err = ledger.Encode(s)
			require.NoError(t, err)
		}
	})
}

// The digest tells every change of key, bytes or number of states.
func TestDigest(t *testing.T) {
	digest := func(pairs ...any) [32]byte {
		return ledger.Digest(func(yield func(event.Key, []byte) bool) {
			for i := 0; i < len(pairs); i += 2 {
				yield(pairs[i].(event.Key), []byte(pairs[i+1].(string)))
			}
		})
	}
	require.Equal(t, digest(bagKey, "a", batchKey, "b"), digest(batchKey, "b", bagKey, "a"))
	seen := map[[32]byte]bool{}
	for _, d := range [][32]byte{
		digest(), digest(bagKey, "a"), digest(bagKey, "b"), digest(batchKey, "a"), digest(bagKey, "a", bagKey, "a"),
		digest(event.Key{Kind: "bag", ID: "1"}, "23"), digest(event.Key{Kind: "bag", ID: "12"}, "3"),
		digest(event.Key{Kind: "ba", ID: "g12"}, "3"),
	} {
		require.False(t, seen[d])
		seen[d] = true
	}
}
