package owner

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

// ShowRecord serves one record in full.
func ShowRecord(req *site.Request) error {
	out, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: req.PathValue("record")})
	if err != nil {
		return err
	}
	facts := []site.Pair{
		{Name: words.Say("record.what"), Value: out.Type},
		{Name: words.Say("record.happened"), Value: words.Moment(words.ParseTime(out.At))},
		{Name: words.Say("record.written"), Value: words.Moment(words.ParseTime(out.WrittenAt))},
		{Name: words.Say("record.who"), Value: out.Who},
		{Name: words.Say("record.known"), Value: knownWords(out)},
		{Name: words.Say("record.laptop"), Value: out.Device},
		{Name: words.Say("record.kept"), Value: words.SavedState(out.Saved)},
		{Name: words.Say("record.about"), Value: strings.Join(out.Entities, ", ")},
		{Name: words.Say("record.record"), Value: out.Record},
	}
	if out.OrderedAt != "" {
		facts = append(facts, site.Pair{Name: words.Say("record.ordered"), Value: out.OrderedAt})
	}
	return req.Render("record", words.Say("record.heading"), "owner", map[string]any{"Facts": facts, "Entry": entryLines(out.Entry)})
}

// knownWords says how the laptop knew who wrote a record.
func knownWords(r *pb.GetRecordResponse) string {
	if r.Proof == pb.ProofKind_PROOF_KIND_PIN {
		return words.Say("record.proven", words.Moment(words.ParseTime(r.ProvenAt)))
	}
	return wording.NoProof
}

// entryLines are the values of an entry with their names.
func entryLines(e *pb.Entry) []site.Pair {
	_, m, err := event.Unwrap(e)
	if err != nil {
		return nil
	}
	return messageLines(m.ProtoReflect())
}

// messageLines are the values of a message with their names and units.
func messageLines(m protoreflect.Message) []site.Pair {
	var out []site.Pair
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !m.Has(f) {
			continue
		}
		name, unit := event.Heading(f)
		text := ""
		if f.IsList() {
			var parts []string
			for j := range m.Get(f).List().Len() {
				parts = append(parts, valueLine(f, m.Get(f).List().Get(j)))
			}
			text = strings.Join(parts, ", ")
		} else {
			text = valueLine(f, m.Get(f))
		}
		out = append(out, site.Pair{Name: name, Value: strings.TrimSpace(text + " " + unit)})
	}
	return out
}

func valueLine(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	rule := event.RuleOf(f)
	switch f.Kind() {
	case protoreflect.BoolKind:
		return words.Say("word.yes")
	case protoreflect.EnumKind:
		if e := f.Enum().Values().ByNumber(v.Enum()); e != nil {
			return words.Choice(string(f.Enum().Name()), event.EnumWord(e))
		}
		return fmt.Sprint(v.Enum())
	case protoreflect.BytesKind:
		return fmt.Sprintf("%x", v.Bytes())
	case protoreflect.StringKind:
		if rule.Format == pb.Format_FORMAT_BAG {
			return words.BagNumber(v.String())
		}
		return v.String()
	case protoreflect.MessageKind:
		switch x := v.Message().Interface().(type) {
		case *pb.Moment:
			tz, err := zone.Load(x.Zone)
			if err != nil {
				tz = time.UTC
			}
			return words.Moment(time.UnixMilli(x.UnixMs).In(tz))
		case *pb.Sealed:
			return cmp.Or(x.Plain, words.Say("record.sealed"))
		}
		return ""
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return strconv.FormatFloat(float64(v.Int())/float64(max(rule.Scale, 1)), 'f', -1, 64)
	}
	return v.String()
}
