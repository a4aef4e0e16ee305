package event

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// Text is one thing in a payload that a person typed in words of their own.
type Text struct{ Field, Text string }

// Texts lists what people typed into a payload in their own words, in the order of its
// fields: no ids, codes, days or sealed fields, and nothing that was filled in.
func Texts(m proto.Message) (out []Text) {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := RuleOf(f)
		if f.Kind() != protoreflect.StringKind || rule.Filled || rule.Generate || rule.Entity != "" || rule.Refers != "" ||
			rule.Format != pb.Format_FORMAT_UNSPECIFIED {
			continue
		}
		if !f.IsList() {
			if text := r.Get(f).String(); text != "" {
				out = append(out, Text{string(f.Name()), text})
			}
			continue
		}
		for j := range r.Get(f).List().Len() {
			out = append(out, Text{string(f.Name()), r.Get(f).List().Get(j).String()})
		}
	}
	return out
}
