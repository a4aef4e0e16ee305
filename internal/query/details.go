package query

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Details tells a payload's own values in one line: what was measured, chosen or
// written, with units, and which bags of which batch. Other ids, sealed words and what
// was filled in are left out.
func (b *ReadView) Details(m proto.Message) string { return strings.Join(b.detailParts(m), ", ") }

// detailParts are the parts of that line, one for each value.
func (b *ReadView) detailParts(m proto.Message) (parts []string) {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := event.RuleOf(f)
		if text := b.bagsIn(r, f, rule); text != "" {
			parts = append(parts, text)
			continue
		}
		if !r.Has(f) || rule.Entity != "" || rule.Filled || rule.Sealed || rule.Generate || f.Kind() == protoreflect.BytesKind || rule.Format == pb.Format_FORMAT_RECORD || shownInFull(f) {
			continue
		}
		name, unit := event.Heading(f)
		if text := b.valueText(r.Get(f), f, rule); text != "" {
			parts = append(parts, strings.TrimSpace(name+" "+text+" "+unit))
		}
	}
	return parts
}

// maxNamed bounds the bags that one line names.
const maxNamed = 3

// bagsIn names the bags of a field, each with its batch unless the entry tells that
// itself; empty for a field of anything else.
func (b *ReadView) bagsIn(r protoreflect.Message, f protoreflect.FieldDescriptor, rule *pb.FieldRule) string {
	if !r.Has(f) || rule.Format != pb.Format_FORMAT_BAG || f.Kind() != protoreflect.StringKind {
		return ""
	}
	ids := []string{r.Get(f).String()}
	if f.IsList() {
		ids = nil
		for i := range r.Get(f).List().Len() {
			ids = append(ids, r.Get(f).List().Get(i).String())
		}
	}
	own := r.Descriptor().Fields().ByName("batch")
	told := own != nil && !event.RuleOf(own).Filled
	var parts []string
	for _, id := range ids[:min(len(ids), maxNamed)] {
		if told {
			parts = append(parts, "bag "+bagText(id))
		} else {
			parts = append(parts, b.BagWords(id))
		}
	}
	if more := len(ids) - maxNamed; more > 0 {
		parts = append(parts, wording.Plural(more, "more bag"))
	}
	return strings.TrimSpace(bagsField(f) + strings.Join(parts, ", "))
}

// bagsField says what is special about a list of bags: those that were not seen.
func bagsField(f protoreflect.FieldDescriptor) string {
	if f.Name() == "bags_not_seen" {
		return "not seen: "
	}
	return ""
}

// shownInFull says that a field is for the record in full: a plan as it was shown.
func shownInFull(f protoreflect.FieldDescriptor) bool {
	return f.Name() == "inputs" || f.Name() == "result"
}

// maxDetail bounds one value in a story, in characters.
const maxDetail = 80

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
	case protoreflect.BoolKind:
		return "yes"
	case protoreflect.EnumKind:
		if e := f.Enum().Values().ByNumber(v.Enum()); e != nil {
			return wording.Choice(string(f.Enum().Name()), event.EnumWord(e))
		}
		return fmt.Sprint(v.Enum())
	case protoreflect.StringKind:
		if rule.Refers != "" {
			return b.Name(rule.Refers, v.String())
		}
		text := v.String()
		if len(text) > maxDetail {
			text = refusal.Shorten(text)
		}
		return text
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

// payloads reads what the records of an entity say, by their hashes; nil is what this
// version cannot read. A record that the disk cannot read is not among them.
func (b *ReadView) payloads(k event.Key) map[event.Hash]proto.Message {
	out := map[event.Hash]proto.Message{}
	err := b.Records(k, func(r *event.Record) error {
		out[r.Hash], _ = r.Payload()
		return nil
	})
	if err != nil {
		b.r.Log.Error("read the records of an entity", "entity", k.String(), "error", err)
	}
	return out
}

// countedWords says what a count of a place means for one bag.
func (b *ReadView) countedWords(bag string, p *pb.PlaceCounted) string {
	place := b.Name(event.KindPlace, p.Place)
	if slices.Contains(p.BagsSeen, bag) {
		return "seen at the count of " + place
	}
	return "NOT seen at the count of " + place
}

// said is what an entry of a story says, in words.
func (b *ReadView) said(k event.Key, e ledger.Entry, all map[event.Hash]proto.Message) string {
	m, read := all[e.Record]
	if _, corrected := all[e.By]; !read || !corrected && !e.By.IsZero() {
		return wording.EventType(e.Type) + ": " + wording.Unread
	}
	if c, ok := all[e.By].(*pb.Corrected); ok && !e.By.IsZero() && !c.Void {
		m, _ = event.Replacement(c)
	}
	if p, ok := m.(*pb.PlaceCounted); ok && k.Kind == event.KindBag {
		return b.countedWords(k.ID, p)
	}
	if m == nil {
		return wording.EventType(e.Type)
	}
	return b.inWords(e.Type, m)
}
