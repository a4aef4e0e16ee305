package query

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// details tells a payload's own values, one by one: what was measured, chosen or
// written, with units, and which bags of which batch. Other ids, sealed words and what
// was filled in are left out.
func (b *ReadView) details(m proto.Message) (parts []string) {
	r := m.ProtoReflect()
	name := eventOf(m)
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		if !r.Has(f) || rule.Filled && rule.Format != pb.Format_FORMAT_BAG || rule.Sealed || rule.Generate || f.Kind() == protoreflect.BytesKind || rule.Format == pb.Format_FORMAT_RECORD || shownInFull(f) {
			continue
		}
		if rule.Format == pb.Format_FORMAT_BAG && f.Kind() == protoreflect.StringKind {
			parts = append(parts, b.bagsIn(r, f))
			continue
		}
		if rule.Entity != "" {
			continue
		}
		if f.Kind() == protoreflect.BoolKind {
			parts = append(parts, small(fieldWords(name, f)))
		} else if text := b.valueText(r.Get(f), f, rule); text != "" {
			_, unit := event.Heading(f)
			parts = append(parts, strings.TrimSpace(small(fieldWords(name, f))+" "+text+" "+unit))
		}
	}
	return parts
}

// eventOf is the name of the first event that has such a payload.
func eventOf(m proto.Message) string {
	for _, s := range event.All() {
		if s.Message() == m.ProtoReflect().Descriptor() {
			return s.Name
		}
	}
	return ""
}

// small makes the beginning of a label fit into a sentence; IgG and its like stay.
func small(label string) string {
	r := []rune(label)
	if len(r) > 1 && unicode.IsLower(r[1]) && label != "IgG" {
		return strings.ToLower(string(r[:1])) + string(r[1:])
	}
	return label
}

// maxNamed bounds the bags that one line names.
const maxNamed = 3

// bagsIn names the bags of a field.
func (b *ReadView) bagsIn(r protoreflect.Message, f protoreflect.FieldDescriptor) string {
	if !f.IsList() {
		return b.BagWords(r.Get(f).String())
	}
	var ids []string
	for i := range r.Get(f).List().Len() {
		ids = append(ids, r.Get(f).List().Get(i).String())
	}
	return b.bagsWords(ids, false)
}

// bagsWords names some bags with their product and batch: once when all have the same,
// and not at all where it is told beside them.
func (b *ReadView) bagsWords(ids []string, numbersOnly bool) string {
	shown := ids[:min(len(ids), maxNamed)]
	batch, same := b.oneBatch(shown)
	numbers := make([]string, len(shown))
	for i, id := range shown {
		numbers[i] = bagText(id)
		if !numbersOnly && !same {
			numbers[i] = b.BagWords(id)
		}
	}
	text := strings.Join(numbers, ", ")
	if more := len(ids) - maxNamed; more > 0 {
		text = say.Text("tale.more_bags", text, more)
	}
	switch {
	case len(ids) == 0:
		return ""
	case numbersOnly:
		return say.Text("tale.bags", len(ids), text)
	case same:
		return say.Text("tale.bags_of", len(ids), text, batch)
	}
	return text
}

// oneBatch is the product and batch of bags that are all of one.
func (b *ReadView) oneBatch(ids []string) (text string, same bool) {
	for i, id := range ids {
		bag, err := b.Bag(id)
		if err != nil || bag == nil || bag.Label == nil {
			return "", false
		}
		of := say.Text("tale.batch", b.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch)
		if i > 0 && of != text {
			return "", false
		}
		text = of
	}
	return text, len(ids) > 0
}

// shownInFull says that a field is for the record in full: a plan as it was shown.
func shownInFull(f protoreflect.FieldDescriptor) bool {
	return f.Name() == "inputs" || f.Name() == "result"
}

// maxDetail bounds one text in a story, in characters.
const maxDetail = 300

// short is a text as a line of a list has room for it: one line, and not all of a long
// one.
func short(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	if r := []rune(text); len(r) > maxDetail {
		return string(r[:maxDetail]) + "…"
	}
	return text
}

func (b *ReadView) valueText(v protoreflect.Value, f protoreflect.FieldDescriptor, rule *pb.FieldRule) string {
	if f.IsList() {
		var parts []string
		for i := range min(v.List().Len(), 12) {
			parts = append(parts, b.oneText(v.List().Get(i), f, rule))
		}
		return strings.Join(parts, " and ")
	}
	return b.oneText(v, f, rule)
}

func (b *ReadView) oneText(v protoreflect.Value, f protoreflect.FieldDescriptor, rule *pb.FieldRule) string {
	switch f.Kind() {
	case protoreflect.EnumKind:
		if e := f.Enum().Values().ByNumber(v.Enum()); e != nil {
			return wording.Choice(string(f.Enum().Name()), event.EnumWord(e))
		}
		return fmt.Sprint(v.Enum())
	case protoreflect.StringKind:
		if rule.Refers != "" {
			return b.Name(rule.Refers, v.String())
		}
		return short(v.String())
	case protoreflect.MessageKind:
		if m, ok := v.Message().Interface().(*pb.Moment); ok {
			return b.Clock(m.UnixMs)
		}
		return ""
	}
	return scaled(v, rule)
}

// scaled shows a stored number as it was typed.
func scaled(v protoreflect.Value, rule *pb.FieldRule) string {
	n, ok := v.Interface().(int64)
	if small, is := v.Interface().(int32); is {
		n, ok = int64(small), true
	}
	if !ok {
		return v.String()
	}
	return strconv.FormatFloat(float64(n)/float64(max(rule.Scale, 1)), 'f', -1, 64)
}

// payloads reads what the records of some entities say, by their hashes; nil is what this
// version cannot read. A record that the disk cannot read is not among them. Each record
// is handed on as well.
func (b *ReadView) payloads(of []event.Key, each func(*event.Record)) map[event.Hash]proto.Message {
	out := map[event.Hash]proto.Message{}
	for _, k := range of {
		err := b.Records(k, func(r *event.Record) error {
			out[r.Hash], _ = r.Payload()
			each(r)
			return nil
		})
		if err != nil {
			b.r.Log.Error("read the records of an entity", "entity", k.String(), "error", err)
		}
	}
	return out
}

// said is what an entry of a story says.
func (b *ReadView) said(k event.Key, e ledger.Entry, all map[event.Hash]proto.Message) Tale {
	m, read := all[e.Record]
	if _, corrected := all[e.By]; !read || !corrected && !e.By.IsZero() {
		return Tale{Text: say.Text("tale.with", capital(wording.EventType(e.Type)), wording.Unread)}
	}
	if c, ok := all[e.By].(*pb.Corrected); ok && !e.By.IsZero() && !c.Void {
		m, _ = event.Replacement(c)
	}
	return b.Tell(k, e.Type, m, e.AtMs)
}
