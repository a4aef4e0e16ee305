package event

import (
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// messageFields are the fields that hold messages, of every message that an event can
// hold. Most have none: to know that spares looking at each field of each record.
var messageFields = sync.OnceValue(func() map[protoreflect.FullName][]protoreflect.FieldDescriptor {
	out := map[protoreflect.FullName][]protoreflect.FieldDescriptor{}
	for _, s := range All() {
		noteParts(s.Message(), out)
	}
	return out
})

func noteParts(d protoreflect.MessageDescriptor, out map[protoreflect.FullName][]protoreflect.FieldDescriptor) {
	if _, ok := out[d.FullName()]; ok {
		return
	}
	parts := partsOf(d)
	out[d.FullName()] = parts
	for _, f := range parts {
		noteParts(f.Message(), out)
	}
}

func partsOf(d protoreflect.MessageDescriptor) (parts []protoreflect.FieldDescriptor) {
	for i := range d.Fields().Len() {
		if f := d.Fields().Get(i); f.Message() != nil {
			parts = append(parts, f)
		}
	}
	return parts
}

// MessageFields lists the fields of a message that hold messages themselves.
func MessageFields(d protoreflect.MessageDescriptor) []protoreflect.FieldDescriptor {
	if parts, ok := messageFields()[d.FullName()]; ok {
		return parts
	}
	return partsOf(d)
}
