package entry

import (
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// resolveAll replaces every typed name or short id in a message by the id, and
// brings days and bag numbers into their stored form.
func (b view) resolveAll(m proto.Message) error {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Kind() != protoreflect.StringKind || !r.Has(f) {
			continue
		}
		if err := b.resolveField(r, f); err != nil {
			return err
		}
	}
	return nil
}

func (b view) resolveField(r protoreflect.Message, f protoreflect.FieldDescriptor) error {
	rule := event.RuleOf(f)
	if f.IsList() {
		l := r.Mutable(f).List()
		for j := range l.Len() {
			s, err := b.stored(string(f.Name()), l.Get(j).String(), rule)
			if err != nil {
				return err
			}
			l.Set(j, protoreflect.ValueOfString(s))
		}
		return nil
	}
	s, err := b.stored(string(f.Name()), r.Get(f).String(), rule)
	if err == nil {
		r.Set(f, protoreflect.ValueOfString(s))
	}
	return err
}

// stored is the form in which a typed text is kept.
func (b view) stored(field, text string, rule *pb.FieldRule) (string, error) {
	if len(text) > 64<<10 {
		return "", refusal.New(field, text, "at most a few lines of text")
	}
	kind := rule.Entity
	if kind == "" {
		kind = rule.Refers
	}
	switch {
	case rule.Format == pb.Format_FORMAT_DAY:
		d, err := label.ParseDay(field, text)
		return d.String(), err
	case rule.Format == pb.Format_FORMAT_BATCH:
		return strings.TrimSpace(text), nil
	case rule.Format == pb.Format_FORMAT_RECORD:
		return b.Record(field, text)
	case kind == "" || kind == event.KindSetting || kind == event.KindMonth || kind == event.KindProtocol || kind == event.KindDam:
		return text, nil
	case rule.Generate && kind != event.KindBag:
		return text, nil
	}
	return b.Resolve(field, kind, text)
}
