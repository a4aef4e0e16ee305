package event

import (
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// SealOwner is the entity whose key seals the private fields of a payload: the one
// that the record is about. Forgetting it forgets them all.
func SealOwner(t Type, m proto.Message, at time.Time) Key {
	if keys := KeysOf(t, m, at); len(keys) > 0 {
		return keys[0]
	}
	return Key{Kind: KindPractice, ID: "notes"}
}

// KeysNeeded are the ids of the keys that the record's sealed fields need, those of what
// a correction puts in place too. A record that cannot be read needs none: nobody can
// read its words with any key.
func (r *Record) KeysNeeded() (ids [][]byte) {
	r = r.Original()
	if !mayNeedKeys(r.Head.Type) {
		return nil
	}
	m, err := r.Payload()
	if c, ok := m.(*pb.Corrected); ok && err == nil {
		m, err = Replacement(c)
	}
	if err != nil || m == nil {
		return nil
	}
	_ = EachSealed(m, func(_ string, s *pb.Sealed) (*pb.Sealed, error) { // it fails only where this does
		if len(s.GetKeyId()) > 0 {
			ids = append(ids, s.KeyId)
		}
		return s, nil
	})
	return ids
}

// mayNeedKeys says that a record of a type may hold sealed fields: its own, or those that
// a correction puts in place.
func mayNeedKeys(t Type) bool { return t == TypeCorrected || sealedTypes()[t] }

// sealedTypes are the event types with fields that may be sealed.
var sealedTypes = sync.OnceValue(func() map[Type]bool {
	out := map[Type]bool{}
	want := (&pb.Sealed{}).ProtoReflect().Descriptor()
	for _, s := range All() {
		fields := s.Message().Fields()
		for i := range fields.Len() {
			out[s.Type] = out[s.Type] || fields.Get(i).Message() == want
		}
	}
	return out
})

// EachSealed calls fn for every sealed field of a message and puts back what it
// returns; nil empties the field.
func EachSealed(m proto.Message, fn func(field string, s *pb.Sealed) (*pb.Sealed, error)) error {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Kind() != protoreflect.MessageKind || f.IsList() || !r.Has(f) {
			continue
		}
		s, ok := r.Get(f).Message().Interface().(*pb.Sealed)
		if !ok {
			continue
		}
		out, err := fn(string(f.Name()), s)
		if err != nil {
			return err
		}
		if out == nil {
			r.Clear(f)
			continue
		}
		r.Set(f, protoreflect.ValueOfMessage(out.ProtoReflect()))
	}
	return nil
}
