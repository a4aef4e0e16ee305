package seal

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Bounds of a keyring.
const (
	MaxKeys      = 1 << 16
	MaxPerEntity = 64 // laptops that each drew a key apart
	MaxForgotten = 1 << 16
	maxText      = 256 // kind or id of an entity, in bytes
)

// Errors of a keyring.
var (
	// ErrForgotten: the key, or its entity, was forgotten here. It is not taken.
	ErrForgotten = errors.New("forgotten here, not taken in again")
	// ErrFull: a bound is reached.
	ErrFull = errors.New("keyring is full")
	// ErrNotKey: a field key that does not fit its id, or names no entity.
	ErrNotKey = errors.New("not a field key")
)

// FieldKey is a key and the entity whose fields it opens.
type FieldKey struct {
	Key    Key
	Entity event.Key
}

// PB is the message form, for enrolled devices only.
func (f FieldKey) PB() *pb.FieldKey {
	id := f.Key.ID()
	return &pb.FieldKey{KeyId: id[:], Key: f.Key[:], Entity: &pb.EntityKey{Kind: f.Entity.Kind, Id: f.Entity.ID}}
}

// FieldKeyFromPB reads a key and checks that its id commits to it.
func FieldKeyFromPB(m *pb.FieldKey) (FieldKey, error) {
	f := FieldKey{Entity: event.Key{Kind: m.GetEntity().GetKind(), ID: m.GetEntity().GetId()}}
	if len(m.GetKey()) != len(f.Key) {
		return FieldKey{}, fmt.Errorf("%w: %d bytes", ErrNotKey, len(m.GetKey()))
	}
	copy(f.Key[:], m.Key)
	if id := f.Key.ID(); !bytes.Equal(id[:], m.GetKeyId()) {
		return FieldKey{}, fmt.Errorf("%w: its id is another key's", ErrNotKey)
	}
	return f, f.check()
}

func (f FieldKey) check() error {
	if f.Entity.Kind == "" || f.Entity.ID == "" || len(f.Entity.Kind) > maxText || len(f.Entity.ID) > maxText {
		return fmt.Errorf("%w: names no entity", ErrNotKey)
	}
	return nil
}

// Keyring is all field keys that this replica holds, and what it forgot. The
// zero value is empty. It is safe for concurrent use.
type Keyring struct {
	mu       sync.RWMutex
	keys     map[KeyID]FieldKey     // guarded by mu
	byEntity map[event.Key][]KeyID  // guarded by mu; ascending
	gone     map[KeyID]struct{}     // guarded by mu; forgotten keys
	goneOf   map[event.Key]struct{} // guarded by mu; forgotten entities
}

// Add takes a key in; new says that it was not held before, so that the caller
// knows to write the keyring. A key of a forgotten entity, or one forgotten under
// whatever entity it is said to be of now, is ErrForgotten.
func (r *Keyring) Add(f FieldKey) (isNew bool, err error) {
	if err := f.check(); err != nil {
		return false, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	id := f.Key.ID()
	_, gone := r.gone[id]
	_, goneOf := r.goneOf[f.Entity]
	_, held := r.keys[id]
	switch {
	case gone || goneOf:
		return false, fmt.Errorf("%s: %w", f.Entity, ErrForgotten)
	case held:
		return false, nil
	case r.full(f.Entity):
		return false, ErrFull
	}
	r.put(id, f)
	return true, nil
}

func (r *Keyring) full(entity event.Key) bool {
	return len(r.keys) >= MaxKeys || len(r.byEntity[entity]) >= MaxPerEntity
}

func (r *Keyring) put(id KeyID, f FieldKey) {
	if r.keys == nil {
		r.keys, r.byEntity = map[KeyID]FieldKey{}, map[event.Key][]KeyID{}
	}
	r.keys[id] = f
	ids := append(r.byEntity[f.Entity], id)
	slices.SortFunc(ids, compareIDs)
	r.byEntity[f.Entity] = ids
}

func compareIDs(a, b KeyID) int { return bytes.Compare(a[:], b[:]) }

// Get finds a key by its id.
func (r *Keyring) Get(id KeyID) (FieldKey, bool) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	f, ok := r.keys[id]
	return f, ok
}

// Of lists the keys of one entity, in the order of their ids. The first one is
// the one to seal under; there are more when two laptops drew one apart.
func (r *Keyring) Of(entity event.Key) []FieldKey {
	r.mu.RLock()
	defer r.mu.RUnlock()
	ids := r.byEntity[entity]
	out := make([]FieldKey, len(ids))
	for i, id := range ids {
		out[i] = r.keys[id]
	}
	return out
}

// Forgotten says whether the key was forgotten here; a key that is neither held
// nor forgotten has not arrived yet.
func (r *Keyring) Forgotten(id KeyID) bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	_, gone := r.gone[id]
	return gone
}

// Forget drops all keys of an entity for ever and takes none for it again. It
// may be called again. The keys are dropped even when the result is ErrFull:
// then too much is forgotten to remember this too.
func (r *Keyring) Forget(entity event.Key) error {
	if err := (FieldKey{Entity: entity}).check(); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	ids := r.byEntity[entity]
	delete(r.byEntity, entity)
	for _, id := range ids {
		delete(r.keys, id)
	}
	if r.gone == nil {
		r.gone, r.goneOf = map[KeyID]struct{}{}, map[event.Key]struct{}{}
	}
	if _, again := r.goneOf[entity]; !again && len(r.goneOf) >= MaxForgotten || len(r.gone)+len(ids) > MaxForgotten {
		return ErrFull
	}
	r.goneOf[entity] = struct{}{}
	for _, id := range ids {
		r.gone[id] = struct{}{}
	}
	return nil
}

// Forgot says that an entity was forgotten: no key of it is held or taken in.
func (r *Keyring) Forgot(entity event.Key) bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	_, gone := r.goneOf[entity]
	return gone
}

// Len is the number of keys held.
func (r *Keyring) Len() int {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return len(r.keys)
}

// sortedIDs, sortedKeys: what is written does not depend on map order.
func sortedIDs[V any](m map[KeyID]V) []KeyID {
	return slices.SortedFunc(maps.Keys(m), compareIDs)
}

func sortedKeys(m map[event.Key]struct{}) []event.Key {
	return slices.SortedFunc(maps.Keys(m), event.Key.Compare)
}

// All lists every key held, in the order of their ids.
func (r *Keyring) All() []FieldKey {
	r.mu.RLock()
	defer r.mu.RUnlock()
	out := make([]FieldKey, 0, len(r.keys))
	for _, id := range slices.SortedFunc(maps.Keys(r.keys), compareIDs) {
		out = append(out, r.keys[id])
	}
	return out
}
