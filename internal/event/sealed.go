package event

import (
	"bytes"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// SealOwner is the entity whose key seals a private field of a payload: the client whom
// a twin names, else the entity that the record is about. Forgetting it forgets the words.
func SealOwner(t Type, m proto.Message, field string, at time.Time) Key {
	for _, twin := range Twins(m) {
		if string(twin.Sealed.Name()) == field {
			return twin.Owner(m)
		}
	}
	if keys := KeysOf(t, m, at); len(keys) > 0 {
		return keys[0]
	}
	return Key{Kind: KindPractice, ID: "notes"}
}

// Twin is a field of words about a client that stands twice in a message: as it is typed
// and shown, and as a record keeps it, sealed under that client's key.
type Twin struct {
	Plain, Sealed protoreflect.FieldDescriptor
	client        protoreflect.FieldDescriptor
}

// Twins lists those of a message.
func Twins(m proto.Message) []Twin { return allTwins()[m.ProtoReflect().Descriptor().FullName()] }

var allTwins = sync.OnceValue(func() map[protoreflect.FullName][]Twin {
	out := map[protoreflect.FullName][]Twin{}
	for _, s := range All() {
		d := s.Message()
		fields := d.Fields()
		if out[d.FullName()] != nil {
			continue // several types have one message
		}
		for i := range fields.Len() {
			f := fields.Get(i)
			if rule := RuleOf(f); rule.Seals != "" {
				twin := Twin{fields.ByName(protoreflect.Name(rule.Seals)), f, fields.ByName(protoreflect.Name(rule.SealsFor))}
				out[d.FullName()] = append(out[d.FullName()], twin)
			}
		}
	}
	return out
})

// Owner is the client under whose key the words are sealed; without an id while none is
// known.
func (t Twin) Owner(m proto.Message) Key {
	return Key{Kind: KindClient, ID: m.ProtoReflect().Get(t.client).String()}
}

// Words are those that stand in plain.
func (t Twin) Words(m proto.Message) string { return m.ProtoReflect().Get(t.Plain).String() }

// Put puts words in plain, and takes out what is sealed.
func (t Twin) Put(m proto.Message, words string) {
	m.ProtoReflect().Set(t.Plain, protoreflect.ValueOfString(words))
	m.ProtoReflect().Clear(t.Sealed)
}

// Close puts sealed words in the place of the plain ones; nil for none.
func (t Twin) Close(m proto.Message, s *pb.Sealed) {
	m.ProtoReflect().Clear(t.Plain)
	m.ProtoReflect().Clear(t.Sealed)
	if s != nil {
		m.ProtoReflect().Set(t.Sealed, protoreflect.ValueOfMessage(s.ProtoReflect()))
	}
}

// Closed are the words that are sealed; nil for none.
func (t Twin) Closed(m proto.Message) *pb.Sealed {
	if r := m.ProtoReflect(); r.Has(t.Sealed) {
		return r.Get(t.Sealed).Message().Interface().(*pb.Sealed)
	}
	return nil
}

// KeysNeeded are the ids of the keys that the record's sealed fields need, those of what
// a correction puts in place too. A record that cannot be read needs none: nobody can
// read its words with any key.
func (r *Record) KeysNeeded() (ids [][]byte) {
	r.eachSealed(func(_ Key, s *pb.Sealed) {
		if len(s.GetKeyId()) > 0 {
			ids = append(ids, s.KeyId)
		}
	})
	return ids
}

// SealedFor says that the record has words that need a key, and that it says they are
// of an entity.
func (r *Record) SealedFor(id []byte, of Key) (found bool) {
	r.eachSealed(func(owner Key, s *pb.Sealed) { found = found || owner == of && bytes.Equal(s.GetKeyId(), id) })
	return found
}

// eachSealed calls fn for every sealed field, with the entity whose key it says seals it.
func (r *Record) eachSealed(fn func(owner Key, s *pb.Sealed)) {
	r = r.Original()
	if !mayNeedKeys(r.Head.Type) {
		return
	}
	t := r.Head.Type
	m, err := r.Payload()
	if c, ok := m.(*pb.Corrected); ok && err == nil {
		t = c.Type
		m, err = Replacement(c)
	}
	if err != nil || m == nil {
		return
	}
	_ = EachSealed(m, func(field string, s *pb.Sealed) (*pb.Sealed, error) { // it fails only where this does
		fn(SealOwner(t, m, field, time.UnixMilli(r.OccurredMs())), s)
		return s, nil
	})
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
