package event_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// An outline says what the decoded record says, of every record that a device writes.
func TestOutlinesAreThoseOfTheRecords(t *testing.T) {
	w := ledgertest.New(t)
	barn, clinic := w.Device("barn"), w.Device("clinic")
	founded := w.Found(clinic)
	barn.See(founded)
	sealed := &pb.Sealed{KeyId: []byte("0123456789abcdef"), Nonce: make([]byte, 24), Ciphertext: []byte("words")}
	added := barn.Write(&pb.ClientAdded{Client: "C", Name: sealed})
	other := &pb.Sealed{KeyId: []byte("fedcba9876543210"), Nonce: make([]byte, 24), Ciphertext: []byte("other words")}
	fixed := barn.Correct(added, &pb.ClientAdded{Client: "C", Name: other})
	barn.Write(event.Carry(fixed))
	require.NotEmpty(t, event.KeysNeededBy(fixed.Wire()))
	lost := barn.Write(&pb.BagThawed{Bag: "BAG1"})
	barn.Write(event.Carry(lost))
	for _, r := range w.Records() {
		for _, signed := range []bool{true, false} {
			if !signed {
				r.DropSignature()
			}
			o, ok := event.OutlineOf(r.Wire())
			require.True(t, ok)
			require.Equal(t, event.Outline{Type: r.Head.Type, Size: r.Size(), Signed: r.Signed()}, o)
			require.Equal(t, r.KeysNeeded(), event.KeysNeededBy(r.Wire()))
		}
	}
}

// Whatever was done to a record's bytes: an outline is the one of the record that they
// decode to, or there is none, and the keys are those that it needs.
func TestOutlinesOfSpoiledBytes(t *testing.T) {
	w := ledgertest.New(t)
	d := w.Device("barn")
	d.Write(&pb.ClientAdded{Client: "C", Name: &pb.Sealed{KeyId: []byte("0123456789abcdef"), Nonce: make([]byte, 24), Ciphertext: []byte("words")}})
	records := w.Records()
	testrun.Check(t, func(t *rapid.T) {
		wire := append([]byte{}, rapid.SampledFrom(records).Draw(t, "record").Wire()...)
		for range rapid.IntRange(0, 3).Draw(t, "flips") {
			wire[rapid.IntRange(0, len(wire)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "bits"))
		}
		wire = wire[:rapid.IntRange(0, len(wire)).Draw(t, "length")]
		o, outlined := event.OutlineOf(wire)
		r, err := event.Decode(wire)
		keys := event.KeysNeededBy(wire)
		if err != nil {
			require.Empty(t, keys)
			return
		}
		require.Equal(t, r.KeysNeeded(), keys)
		if outlined {
			require.Equal(t, event.Outline{Type: r.Head.Type, Size: r.Size(), Signed: r.Signed()}, o)
		}
	})
}
