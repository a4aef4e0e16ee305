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
	pb "thawtrail/proto/thawtrail/v1"
)

// Keys is this replica's keyring of sealed fields, on disk. It lies beside the
// journal, never in it, so that a key can be dropped for ever.
type Keys struct {
	vault  *vault.Vault
	path   string
	random io.Reader
	ring   *seal.Keyring
	onDisk bool   // there was a file
	wrote  func() // told when there is one

	mu     sync.Mutex
	order  []seal.FieldKey // in the order in which they came, for Since
	unsafe bool            // something is not on the disk yet
}

// OpenKeys reads the keyring at path, or begins an empty one. The vault encrypts
// it.
func OpenKeys(v *vault.Vault, path string, random io.Reader) (*Keys, error) {
	k := &Keys{vault: v, path: path, random: random, ring: &seal.Keyring{}, wrote: func() {}}
	data, err := v.ReadBox(path, vault.FieldKeys)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return k, nil
	case err != nil:
		return nil, fmt.Errorf("keys of sealed fields: %w", err)
	}
	if k.ring, err = seal.Decode(data); err != nil {
		return nil, fmt.Errorf("keys of sealed fields: %s: %w", path, err)
	}
	k.order, k.onDisk = k.ring.All(), true
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
	if err := k.vault.WriteBox(k.path, vault.FieldKeys, k.ring.Encode(), k.random); err != nil {
		return err
	}
	k.unsafe = false
	k.wrote()
	return nil
}

// Take takes keys that came beside records and writes them durably. Keys that
// were forgotten here stay forgotten.
func (k *Keys) Take(list []*pb.FieldKey) error {
	if err := k.takeAll(list); err != nil {
		return err
	}
	return k.Save()
}

func (k *Keys) takeAll(list []*pb.FieldKey) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, m := range list {
		f, err := seal.FieldKeyFromPB(m)
		if err == nil {
			err = k.add(f)
		}
		if err != nil && !errors.Is(err, seal.ErrForgotten) {
			return err
		}
	}
	return nil
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

// Forget drops the keys of an entity for ever, here.
func (k *Keys) Forget(entity event.Key) error {
	k.mu.Lock()
	if len(k.ring.Of(entity)) == 0 {
		k.mu.Unlock()
		return nil
	}
	err := k.ring.Forget(entity)
	k.unsafe = true
	k.mu.Unlock()
	return errors.Join(err, k.Save())
}
