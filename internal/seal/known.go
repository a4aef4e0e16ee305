package seal

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// Two keyrings are compared without naming all of their ids: ids lie in 256
// buckets by their first byte, and each bucket has one number.

// Buckets of ids.
const (
	Buckets  = 256
	sumBytes = 8
)

// Sums are the numbers of all buckets: the last eight bytes of every id known, held
// or forgotten, combined by exclusive or. A forgotten key is known, so that it is
// not offered again and again.
type Sums [Buckets]uint64

// Bytes is the form that travels.
func (s Sums) Bytes() []byte {
	out := make([]byte, 0, Buckets*sumBytes)
	for _, n := range s {
		out = binary.BigEndian.AppendUint64(out, n)
	}
	return out
}

// SumsFrom reads what Bytes gave.
func SumsFrom(raw []byte) (s Sums, err error) {
	if len(raw) != Buckets*sumBytes {
		return s, fmt.Errorf("%w: %d bytes of sums", ErrNotKey, len(raw))
	}
	for i := range s {
		s[i] = binary.BigEndian.Uint64(raw[i*sumBytes:])
	}
	return s, nil
}

// Sums of what this keyring knows.
func (r *Keyring) Sums() (s Sums) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	add := func(id KeyID) { s[id[0]] ^= binary.BigEndian.Uint64(id[sumBytes:]) }
	for id := range r.keys {
		add(id)
	}
	for id := range r.gone {
		add(id)
	}
	return s
}

// Known lists the ids of one bucket, held and forgotten, ascending.
func (r *Keyring) Known(bucket byte) (held, forgotten []KeyID) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return inBucket(r.keys, bucket), inBucket(r.gone, bucket)
}

func inBucket[V any](m map[KeyID]V, bucket byte) (ids []KeyID) {
	for id := range m {
		if id[0] == bucket {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, compareIDs)
	return ids
}

// Keep drops every key that is not needed, and says how many. They are not
// forgotten: one that a record needs later is taken again.
func (r *Keyring) Keep(needed func(KeyID) bool) (dropped int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	old := r.keys
	r.keys, r.byEntity = nil, nil
	for _, id := range sortedIDs(old) {
		if needed(id) {
			r.put(id, old[id])
		} else {
			dropped++
		}
	}
	return dropped
}
