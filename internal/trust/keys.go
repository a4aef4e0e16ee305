package trust

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/seal"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// Keys is this replica's keyring of sealed fields, on disk. It lies beside the
// journal, never in it, so that a key can be dropped for ever.
type Keys struct {
	save   func(ring []byte) error // durably
	random io.Reader
	ring   *seal.Keyring
	onDisk bool   // there was a file
	wrote  func() // told when there is one

	mu     sync.Mutex
	order  []seal.FieldKey // in the order in which they came, for Since
	unsafe bool            // something is not on the disk yet
}

// OpenKeys reads the keyring among small files, or begins an empty one. The vault
// encrypts it.
func OpenKeys(v *vault.Vault, names wholefile.Names, random io.Reader) (*Keys, error) {
	data, err := v.ReadBox(names, fieldsFile, vault.FieldKeys)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("keys of sealed fields: %w", err)
	}
	k, err := NewKeys(data, func(ring []byte) error { return v.WriteBox(names, fieldsFile, vault.FieldKeys, ring, random) }, random)
	if err != nil {
		return nil, fmt.Errorf("keys of sealed fields: %s: %w", names.Place(fieldsFile), err)
	}
	return k, nil
}

// NewKeys is the keyring that was saved, or an empty one for nil. Save keeps it
// durably.
func NewKeys(saved []byte, save func([]byte) error, random io.Reader) (*Keys, error) {
	k := &Keys{save: save, random: random, ring: &seal.Keyring{}, onDisk: saved != nil, wrote: func() {}}
	if saved == nil {
		return k, nil
	}
	var err error
	if k.ring, err = seal.Decode(saved); err != nil {
		return nil, err
	}
	k.order = k.ring.All()
	return k, nil
}

// Seal seals a text under the entity's key, drawing one at first.
func (k *Keys) Seal(entity event.Key, field, plain string) (*pb.Sealed, error) {
	key, err := k.keyOf(entity)
	if err != nil {
		return nil, err
	}
	return seal.Seal(k.random, key, entity, field, []byte(plain))
}

func (k *Keys) keyOf(entity event.Key) (seal.Key, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if held := k.ring.Of(entity); len(held) > 0 {
		return held[0].Key, nil
	}
	key, err := seal.NewKey(k.random)
	if err != nil {
		return key, err
	}
	return key, k.add(seal.FieldKey{Key: key, Entity: entity})
}

// add takes a key in; k.mu is held.
func (k *Keys) add(f seal.FieldKey) error {
	isNew, err := k.ring.Add(f)
	if isNew {
		k.order, k.unsafe = append(k.order, f), true
	}
	return err
}

// Open reads a sealed field.
func (k *Keys) Open(entity event.Key, field string, s *pb.Sealed) (string, bool) {
	id, ok := seal.IDOf(s)
	if !ok {
		return "", false
	}
	f, ok := k.ring.Get(id)
	if !ok {
		return "", false
	}
	words, err := seal.Open(f.Key, entity, field, s)
	return string(words), err == nil
}

// Save writes what is new durably.
func (k *Keys) Save() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.unsafe {
		return nil
	}
	if err := k.save(k.ring.Encode()); err != nil {
		return err
	}
	k.unsafe = false
	k.wrote()
	return nil
}

// Take takes keys that came beside records and writes them durably. Keys that
// were forgotten here stay forgotten. refused is the first key that could not be
// taken, and stops no other.
func (k *Keys) Take(list []*pb.FieldKey) (refused, err error) {
	refused = k.takeAll(list)
	return refused, k.Save()
}

func (k *Keys) takeAll(list []*pb.FieldKey) (refused error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, m := range list {
		f, err := seal.FieldKeyFromPB(m)
		if err == nil {
			err = k.add(f)
		}
		if err != nil && !errors.Is(err, seal.ErrForgotten) && refused == nil {
			refused = fmt.Errorf("key of %s: %w", f.Entity, err)
		}
	}
	return refused
}

// Wants says that a key is well formed, and neither held nor forgotten here.
func (k *Keys) Wants(m *pb.FieldKey) bool {
	f, err := seal.FieldKeyFromPB(m)
	if err != nil {
		return false
	}
	_, held := k.ring.Get(f.Key.ID())
	return !held && !k.ring.Forgotten(f.Key.ID())
}

// Find gives the keys of these ids that are held.
func (k *Keys) Find(ids [][]byte) (list []*pb.FieldKey) {
	for _, raw := range ids {
		if id, ok := seal.ToID(raw); ok {
			if f, held := k.ring.Get(id); held {
				list = append(list, f.PB())
			}
		}
	}
	return list
}

// Sums are one number for each bucket of ids known, in the form that travels.
func (k *Keys) Sums() []byte {
	s := k.ring.Sums()
	return s.Bytes()
}

// Differing lists the ids of this side in the buckets that other sums differ in,
// from a bucket on, and stops past most of them; next is where to go on.
func (k *Keys) Differing(sums []byte, from, most int) (held, forgotten [][]byte, next int, err error) {
	theirs, err := seal.SumsFrom(sums)
	if err != nil {
		return nil, nil, 0, err
	}
	mine := k.ring.Sums()
	for next = max(from, 0); next < seal.Buckets && len(held)+len(forgotten) < most; next++ {
		if mine[next] != theirs[next] {
			h, f := k.ring.Known(byte(next))
			held, forgotten = append(held, rawIDs(h)...), append(forgotten, rawIDs(f)...)
		}
	}
	return held, forgotten, next, nil
}

func rawIDs(ids []seal.KeyID) [][]byte {
	out := make([][]byte, len(ids))
	for i, id := range ids {
		out[i] = id[:]
	}
	return out
}

// Len is the number of keys held.
func (k *Keys) Len() int { return k.ring.Len() }

// Keep drops every key but those that are needed, durably, and counts what it
// dropped. Nothing may use the keyring meanwhile.
func (k *Keys) Keep(needed func(id []byte) bool) (dropped int, err error) {
	k.mu.Lock()
	dropped = k.ring.Keep(func(id seal.KeyID) bool { return needed(id[:]) })
	k.order = k.ring.All()
	k.unsafe = k.unsafe || dropped > 0
	k.mu.Unlock()
	return dropped, k.Save()
}

// Since lists keys that came after the first n, at most most of them, and the
// number to go on from: what to send beside records.
func (k *Keys) Since(n, most int) (list []*pb.FieldKey, next int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for n < len(k.order) && len(list) < most {
		if _, held := k.ring.Get(k.order[n].Key.ID()); held {
			list = append(list, k.order[n].PB())
		}
		n++
	}
	return list, n
}

// Forget drops the keys of an entity for ever, here. One of which no key is here yet is
// noted too: its keys may come later.
func (k *Keys) Forget(entity event.Key) error {
	k.mu.Lock()
	if k.ring.Forgot(entity) {
		k.mu.Unlock()
		return nil
	}
	err := k.ring.Forget(entity)
	k.unsafe = true
	k.mu.Unlock()
	return errors.Join(err, k.Save())
}
