package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"iter"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"thawtrail/internal/event"
)

// encoding is deterministic CBOR (RFC 8949, section 4.2.1). States are arrays in
// the order of their fields.
var encoding = func() cbor.EncMode {
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic("ledger: " + err.Error())
	}
	return mode
}()

// Encode turns a state into bytes: the same state always into the same bytes.
func Encode(s State) ([]byte, error) {
	b, err := encoding.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("encode state: %w", err)
	}
	return b, nil
}

// Decode reads a state of the given kind of entity, as Encode wrote it with the
// same FoldVersion.
func Decode(kind string, b []byte) (State, error) {
	k, ok := kinds[kind]
	if !ok {
		return nil, fmt.Errorf("decode state: no kind %q", kind)
	}
	s := k.empty()
	if err := cbor.Unmarshal(b, s); err != nil {
		return nil, fmt.Errorf("decode state of a %s: %w", kind, err)
	}
	if s.Key().Kind != kind {
		return nil, fmt.Errorf("decode state: a %s where a %s was expected", s.Key().Kind, kind)
	}
	return s, nil
}

// Digest is one hash over all states and FoldVersion, in whatever order they
// come: replicas that hold the same records have the same digest. It keeps 32
// bytes for each state meanwhile.
func Digest(states iter.Seq2[event.Key, []byte]) [sha256.Size]byte {
	var sums [][sha256.Size]byte
	for key, b := range states {
		var text []byte
		for _, part := range [][]byte{[]byte(key.Kind), []byte(key.ID), b} {
			text = binary.BigEndian.AppendUint64(text, uint64(len(part)))
			text = append(text, part...)
		}
		sums = append(sums, sha256.Sum256(text))
	}
	slices.SortFunc(sums, func(a, b [sha256.Size]byte) int { return bytes.Compare(a[:], b[:]) })
	d := sha256.New()
	fmt.Fprintf(d, "thawtrail states %d\x00", FoldVersion)
	for _, sum := range sums {
		d.Write(sum[:])
	}
	return [sha256.Size]byte(d.Sum(nil))
}
