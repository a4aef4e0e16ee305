// Package index keeps ordered keys and values that can be built again.
//
// Nothing here is the truth: the journal is. An index may lose its newest
// updates at a crash, and a damaged one is put aside and begun anew; whoever
// uses it applies the journal again from well behind its own cursor. In return it
// never syncs on the way of a commit.
//
// There are two kinds that behave alike: NewMemory, for simulation and tests,
// and Open, on the disk.
//
// # Transactions
//
// Update is atomic: all of it is applied, or, on an error from its function or
// when it grows past MaxTxnBytes, nothing. Updates run one after another. View
// sees the index as it was when View began, whatever is updated meanwhile. An
// update reads its own writes; a scan sees what was written before the scan began.
//
// Bytes given to a function are valid until it returns and must not be changed. A value
// that is given to Set is kept, and must not be changed either; keys are copied.
package index

import (
	"errors"
	"fmt"

	"thawtrail/internal/store/filelock"
)

// The errors a caller can act on; test with errors.Is.
var (
	// ErrTooBig: the update passed MaxTxnBytes; nothing of it was applied.
	ErrTooBig = errors.New("index: update too big")
	// ErrKey: a key is empty, over MaxKeyBytes or begins with "!".
	ErrKey = errors.New("index: key refused")
	// ErrClosed: the index was closed.
	ErrClosed = errors.New("index: closed")
	// ErrNoSpace: the disk is nearly full, or fills so fast that it soon will be.
	// Badger writes through mapped files, where a full disk kills the process
	// instead of giving an error, so Open and Update refuse while there is still
	// some room. Views go on, and so can the journal.
	ErrNoSpace = errors.New("index: too little room on the disk")
	// ErrLocked: another process has the index open.
	ErrLocked = filelock.ErrLocked
	// ErrWrongKey: the index was made with another encryption key, or without one.
	ErrWrongKey = errors.New("index: wrong encryption key")
)

const (
	// MaxKeyBytes is the longest key.
	MaxKeyBytes = 1024
	// entryBytes is what an entry costs in a transaction besides its bytes.
	entryBytes = 128
)

// Reader reads one state of the index.
type Reader interface {
	// Get gives the value of a key, and whether there is one.
	Get(key []byte) ([]byte, bool, error)
	// Has says whether there is a value of a key.
	Has(key []byte) (bool, error)
	// Scan visits the keys that begin with prefix, in order, or in reverse
	// order. It starts at from: the first key not before it, or in reverse
	// the last key not after it; nil starts at the edge. It stops when fn
	// returns false or an error, which it returns.
	Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error
}

// Writer reads and changes the index within one update.
type Writer interface {
	Reader
	Set(key, value []byte) error
	Delete(key []byte) error
}

// Index is an ordered map. It is safe for concurrent use.
type Index interface {
	View(fn func(Reader) error) error
	Update(fn func(Writer) error) error
	// MaxTxnBytes bounds the sum of TxnBytes over the keys that one update changes.
	MaxTxnBytes() int64
	// Persist says whether all updates before the call will outlive a stop of the
	// machine. Where they would not yet, it may be asked again a little later.
	Persist() (bool, error)
	// Close writes everything out.
	Close() error
}

// TxnBytes is what setting (or, with no value, deleting) a key counts for.
func TxnBytes(key, value []byte) int64 { return int64(len(key) + len(value) + entryBytes) }

func checkKey(key []byte) error {
	if len(key) == 0 || len(key) > MaxKeyBytes || key[0] == '!' {
		return fmt.Errorf("%w: %d bytes, %.20q; expected 1 to %d bytes, the first not '!'", ErrKey, len(key), key, MaxKeyBytes)
	}
	return nil
}

// successor is the first key after all keys with a prefix; nil when there is none.
func successor(prefix []byte) []byte {
	for i := len(prefix) - 1; i >= 0; i-- {
		if prefix[i] < 0xFF {
			next := append([]byte(nil), prefix[:i+1]...)
			next[i]++
			return next
		}
	}
	return nil
}
