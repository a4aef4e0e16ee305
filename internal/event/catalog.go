package event

import (
	"fmt"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// Type is an event type: the field number in Entry.body.
type Type = uint32

// Event types that the program itself treats apart.
const (
	TypeLogOpened    Type = 1
	TypeHeard        Type = 2
	TypeHubStatement Type = 3
	TypeCorrected    Type = 4
	TypeForgotten    Type = 23
	TypeSavedAgain   Type = 26
	TypeRecordsLost  Type = 27
	TypeCopiesMet    Type = 28

	TypeBatchHeld     Type = 50
	TypeBatchReleased Type = 51
	TypeBatchRecalled Type = 52
)

// Spec is what the .proto files say of one event type.
type Spec struct {
	Type  Type
	Name  string // field name in Entry.body: bags_received
	Rule  *pb.EventRule
	Field protoreflect.FieldDescriptor
	msg   protoreflect.MessageType
}

// New makes an empty payload of the type.
func (s *Spec) New() proto.Message { return s.msg.New().Interface() }

// Message is the payload's descriptor.
func (s *Spec) Message() protoreflect.MessageDescriptor { return s.msg.Descriptor() }

var catalog = sync.OnceValue(func() map[Type]*Spec {
	body := (&pb.Entry{}).ProtoReflect().Descriptor().Oneofs().ByName("body")
	specs := make(map[Type]*Spec, body.Fields().Len())
	for i := range body.Fields().Len() {
		f := body.Fields().Get(i)
		rule, _ := proto.GetExtension(f.Options(), pb.E_Event).(*pb.EventRule)
		parent := (&pb.Entry{}).ProtoReflect()
		specs[Type(f.Number())] = &Spec{
			Type: Type(f.Number()), Name: string(f.Name()), Rule: rule, Field: f,
			msg: parent.NewField(f).Message().Type(),
		}
	}
	return specs
})

// Lookup finds an event type.
func Lookup(t Type) (*Spec, bool) {
	s, ok := catalog()[t]
	return s, ok
}

// Name is the name of an event type; empty for one of a newer version.
func Name(t Type) string {
	if s, ok := Lookup(t); ok {
		return s.Name
	}
	return ""
}

// All lists the event types in the order of their numbers.
func All() []*Spec {
	body := (&pb.Entry{}).ProtoReflect().Descriptor().Oneofs().ByName("body")
	out := make([]*Spec, body.Fields().Len())
	for i := range out {
		out[i] = catalog()[Type(body.Fields().Get(i).Number())]
	}
	return out
}

// Unwrap takes the payload and its type out of an entry.
func Unwrap(e *pb.Entry) (Type, proto.Message, error) {
	m := e.ProtoReflect()
	f := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if f == nil {
		return 0, nil, fmt.Errorf("%w: the entry is empty", ErrMalformed)
	}
	return Type(f.Number()), m.Get(f).Message().Interface(), nil
}

// Wrap puts a payload of the type into an entry.
func Wrap(t Type, payload proto.Message) (*pb.Entry, error) {
	s, ok := Lookup(t)
	if !ok || payload.ProtoReflect().Descriptor() != s.Message() {
		return nil, fmt.Errorf("%w: payload %T is not of type %d", ErrMalformed, payload, t)
	}
	e := &pb.Entry{}
	e.ProtoReflect().Set(s.Field, protoreflect.ValueOfMessage(payload.ProtoReflect()))
	return e, nil
}

// Payload decodes the record's payload. An unknown type is ErrNewer: the record
// is kept and passed on, and its entities say that they need a newer version. One
// that breaks the sizes of its fields (limits.go) cannot be read.
func (r *Record) Payload() (proto.Message, error) {
	s, m, err := decodePayload(r.Head.Type, r.Raw.Payload)
	if err != nil {
		return nil, err
	}
	if r.Head.Type == TypeSavedAgain && r.carried == nil {
		return nil, fmt.Errorf("%w: %s carries no record of its device", ErrMalformed, s.Name)
	}
	if r.trimmed {
		return nil, fmt.Errorf("%w: %s: a text in its header", ErrTooLarge, s.Name)
	}
	return m, nil
}

// decodePayload reads the bytes of an event of a type.
func decodePayload(t Type, payload []byte) (*Spec, proto.Message, error) {
	s, ok := Lookup(t)
	if !ok {
		return nil, nil, fmt.Errorf("%w: event type %d", ErrNewer, t)
	}
	m := s.New()
	if err := proto.Unmarshal(payload, m); err != nil {
		return nil, nil, fmt.Errorf("%w: %s: %v", ErrMalformed, s.Name, err)
	}
	if err := sized(s, m.ProtoReflect(), len(payload)); err != nil {
		return nil, nil, fmt.Errorf("%s: %w", s.Name, err)
	}
	return s, m, nil
}
