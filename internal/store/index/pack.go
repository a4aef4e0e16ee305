package index

import (
	"fmt"

	"github.com/dgraph-io/badger/v4"
	"github.com/klauspost/compress/s2"
)

// Long values, the folded states, lie compressed in the tables: they are most of an
// index, and each of their bytes would be encrypted, written, compared at the start
// and merged. Badger keeps a byte beside each value, which says whether it is.
const (
	plainValue  byte = 0
	packedValue byte = 1
)

const (
	// packFrom is the length from which a value is compressed.
	packFrom = 1 << 10
	// mostValue bounds a value once it is unpacked: none is longer than an update.
	mostValue = 64 << 20
)

// packed is an entry with its value as it lies in the tables.
func packed(key string, value []byte) *badger.Entry {
	if len(value) >= packFrom {
		if short := s2.Encode(nil, value); len(short) < len(value) {
			return badger.NewEntry([]byte(key), short).WithMeta(packedValue)
		}
	}
	return badger.NewEntry([]byte(key), value)
}

// unpacked is the value that packed was given; it may lie in stored.
func unpacked(stored []byte, form byte) ([]byte, error) {
	switch form {
	case plainValue:
		return stored, nil
	case packedValue:
	default:
		return nil, fmt.Errorf("%w: a value in form %d, which this program does not know", errDamage, form)
	}
	n, err := s2.DecodedLen(stored)
	if err == nil && n > mostValue {
		err = fmt.Errorf("%d bytes", n)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: a packed value: %w", errDamage, err)
	}
	value, err := s2.Decode(nil, stored)
	if err != nil {
		return nil, fmt.Errorf("%w: a packed value: %w", errDamage, err)
	}
	return value, nil
}
