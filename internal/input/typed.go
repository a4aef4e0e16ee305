package input

import (
	"encoding/hex"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	pb "thawtrail/proto/thawtrail/v1"
)

// Typed is what a person would type for what the field of m holds: Put reads it back.
// It is empty for a field without a value.
func (t Field) Typed(m protoreflect.Message) []string {
	if !m.Has(t.Desc) {
		return nil
	}
	v := m.Get(t.Desc)
	if !t.Desc.IsList() {
		return []string{t.typed(v)}
	}
	out := make([]string, v.List().Len())
	for i := range out {
		out[i] = t.typed(v.List().Get(i))
	}
	return out
}

// typed is one value as text.
func (t Field) typed(v protoreflect.Value) string {
	switch t.Desc.Kind() {
	case protoreflect.BoolKind:
		return "yes"
	case protoreflect.EnumKind:
		if e := t.Desc.Enum().Values().ByNumber(v.Enum()); e != nil {
			return event.EnumWord(e)
		}
		return ""
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return decimal(v.Int(), t.Scale)
	case protoreflect.Uint32Kind:
		return decimal(int64(v.Uint()), t.Scale)
	case protoreflect.DoubleKind:
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	case protoreflect.BytesKind:
		return hex.EncodeToString(v.Bytes())
	case protoreflect.MessageKind:
		return t.typedMessage(v)
	}
	if text := v.String(); t.Rule.Format != pb.Format_FORMAT_BAG {
		return text
	}
	return label.BagNumber(v.String()).String()
}

func (t Field) typedMessage(v protoreflect.Value) string {
	switch m := v.Message().Interface().(type) {
	case *pb.Moment:
		return t.Clock.Typed(time.UnixMilli(m.UnixMs))
	case *pb.Sealed:
		return m.Plain
	}
	return ""
}

// Typed is a moment as a person types it on the clocks of the zone; with its offset
// where they show that time twice.
func (c Clock) Typed(at time.Time) string {
	local := at.In(c.Zone)
	text := local.Format("2006-01-02 15:04:05")
	if again, _, err := label.ParseInstant("", text, c.Zone, at); err != nil || !again.Equal(at.Truncate(time.Second)) {
		return local.Format("2006-01-02 15:04:05-07:00")
	}
	return text
}

// decimal writes a stored whole number as it was typed: 52500 by 1000 is 52.5.
func decimal(stored, scale int64) string {
	sign := ""
	if stored < 0 {
		sign, stored = "-", -stored
	}
	text := strconv.FormatInt(stored/scale, 10)
	if rest := stored % scale; rest != 0 {
		digits := strconv.FormatInt(scale+rest, 10)[1:]
		text += "." + strings.TrimRight(digits, "0")
	}
	return sign + text
}
