package event

import (
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

// EachSealed calls fn for every sealed field of a message and puts back what it
// returns.
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
		r.Set(f, protoreflect.ValueOfMessage(out.ProtoReflect()))
	}
	return nil
}
