package event

import (
	"fmt"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// The sizes that an entry is held to when it is typed are part of decoding too: a
// device that was altered may write what it likes. A record that breaks them is
// kept and passed on, as its log needs every record, and counts as one that cannot
// be read: its entities say so, and nothing of it enters their state.
//
// Only sizes are. A number out of its range is a fact that somebody wrote down,
// perhaps with a newer version that allows it; hiding it would hide a bag that was
// given. Sizes are never narrowed from one version to the next.

// maxOwnText bounds texts that the program writes by itself.
const maxOwnText = 4 << 10

// sized says whether a payload keeps within the sizes of its fields.
func sized(s *Spec, m protoreflect.Message, bytes int) error {
	if bytes <= maxText { // nothing in it can be longer than the least limit
		return nil
	}
	least := maxText
	if s.Rule.GetInternal() {
		least = maxOwnText
	}
	return sizes(m, least)
}

func sizes(m protoreflect.Message, least int) error {
	var err error
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		rule := RuleOf(f)
		if !f.IsList() {
			err = sizeOf(f, v, rule, least)
			return err == nil
		}
		most := maxItems
		if rule.MaxItems != 0 {
			most = int(rule.MaxItems)
		}
		l := v.List()
		if typed := rule.Help != "" || rule.Entity != ""; typed && l.Len() > most {
			err = fmt.Errorf("%w: %s has %d items; expected at most %d", ErrTooLarge, f.Name(), l.Len(), most)
		}
		for i := 0; err == nil && i < l.Len(); i++ {
			err = sizeOf(f, l.Get(i), rule, least)
		}
		return err == nil
	})
	return err
}

func sizeOf(f protoreflect.FieldDescriptor, v protoreflect.Value, rule *pb.FieldRule, least int) error {
	n := 0
	switch f.Kind() {
	case protoreflect.StringKind:
		n = len(v.String())
	case protoreflect.BytesKind:
		n = len(v.Bytes())
	case protoreflect.MessageKind:
		if sealed, ok := v.Message().Interface().(*pb.Sealed); ok {
			n, least = len(sealed.Ciphertext)+len(sealed.Plain), maxCiphertext
			break
		}
		return sizes(v.Message(), least)
	}
	if most := max(least, int(rule.MaxLen)); n > most {
		return fmt.Errorf("%w: %s has %d bytes; expected at most %d", ErrTooLarge, f.Name(), n, most)
	}
	return nil
}

// trim takes texts out of a decoded header that no program of ours writes so
// long: they would stand in the state of all that the record touches. It says
// whether there were any.
func trim(h *pb.Header) (trimmed bool) {
	for _, text := range []*string{&h.Author, &h.RequestId, &h.ProgramVersion, &h.EngineVersion} {
		if len(*text) > maxText {
			*text, trimmed = "", true
		}
	}
	if len(h.GetOccurredAt().GetZone()) > maxText {
		h.OccurredAt.Zone, trimmed = "", true
	}
	for _, o := range h.Overrides {
		if len(o.GetCode()) > maxText {
			h.Overrides, trimmed = nil, true
			break
		}
	}
	return trimmed
}
