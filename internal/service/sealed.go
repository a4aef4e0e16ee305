package service

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Seals turns text that names a person privately into a sealed field and back.
// Each entity has a key of its own, so that forgetting one forgets nothing else.
type Seals interface {
	// Seal seals a text for one field of an entity, making its key at first.
	Seal(entity event.Key, field, plain string) (*pb.Sealed, error)
	// Open reads a sealed field; ok is false when its key is not here, or was
	// dropped because the client asked to be forgotten.
	Open(entity event.Key, field string, s *pb.Sealed) (plain string, ok bool)
	// Save writes keys that were made durably, before a record relies on them.
	Save() error
	// Take takes keys that came beside records, durably.
	Take([]*pb.FieldKey) error
	// Since lists keys after the first n, and the number to go on from.
	Since(n, most int) (list []*pb.FieldKey, next int)
	// Forget drops the keys of an entity for ever, here.
	Forget(event.Key) error
}

// MaxKeysSent bounds the keys beside one message.
const MaxKeysSent = 500

// dropForgotten drops the keys of every client who asked to be forgotten.
func (r *Replica) dropForgotten(ctx context.Context) error {
	return r.Store.View(ctx, func(v *store.Snapshot) error {
		keys, err := v.Find(ledger.TermForgotten, maxRows)
		for _, k := range keys {
			if err := r.Seals.Forget(k); err != nil {
				return err
			}
		}
		return err
	})
}

// forgotten stands in place of a text whose key is not here.
const forgotten = "(sealed: the key is not on this laptop)"

// seal replaces the plain text of every sealed field.
func (e *entry) seal() error {
	return eachSealed(e.payload, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
		if s.Plain == "" {
			return s, nil
		}
		e.newKeys = true
		return e.b.r.Seals.Seal(e.sealOwner(), field, s.Plain)
	})
}

// sealOwner is the entity whose key seals the fields: the one the record is
// about.
func (e *entry) sealOwner() event.Key {
	if keys := event.KeysOf(e.spec.Type, e.payload, e.at); len(keys) > 0 {
		return keys[0]
	}
	return event.Key{Kind: event.KindPractice, ID: "notes"}
}

// opened is an entry with its sealed fields in clear, for people.
func (b *book) opened(e *pb.Entry) *pb.Entry {
	t, m, err := event.Unwrap(e)
	if err != nil {
		return e
	}
	m = proto.Clone(m)
	owner := (&entry{spec: mustSpec(t), payload: m, at: b.now}).sealOwner()
	// Opening cannot fail; what cannot be read says so.
	_ = eachSealed(m, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
		plain, ok := b.r.Seals.Open(owner, field, s)
		if !ok {
			plain = forgotten
		}
		return &pb.Sealed{Plain: plain}, nil
	})
	out, err := event.Wrap(t, m)
	if err != nil {
		return e
	}
	return out
}

func mustSpec(t event.Type) *event.Spec {
	s, ok := event.Lookup(t)
	if !ok {
		return &event.Spec{Type: t}
	}
	return s
}

// eachSealed calls fn for every sealed field of a message and puts back what it
// returns.
func eachSealed(m proto.Message, fn func(field string, s *pb.Sealed) (*pb.Sealed, error)) error {
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
