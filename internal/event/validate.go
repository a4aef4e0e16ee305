package event

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

// Bounds that hold where a rule states none.
const (
	maxText  = 200
	maxItems = 500
	// maxCiphertext bounds a sealed text.
	maxCiphertext = 16 << 10
)

// Validate checks a message against the rules beside its fields: the one
// validator behind commands, pages and gRPC. It returns a *refusal.Error for
// the first field that does not fit. What needs knowledge of the stock (does
// this bag exist) is asked elsewhere.
func Validate(m proto.Message) error {
	return validate(m.ProtoReflect())
}

// Typed checks a message as a person sent it: fields that the service fills in
// or makes itself may still be empty.
func Typed(m proto.Message) error {
	return walk(m.ProtoReflect(), func(r *pb.FieldRule) bool { return r.Required && !r.Generate && !r.Filled })
}

func validate(m protoreflect.Message) error {
	return walk(m, func(r *pb.FieldRule) bool { return r.Required || r.Generate })
}

func walk(m protoreflect.Message, required func(*pb.FieldRule) bool) error {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		rule := RuleOf(f)
		if err := field(m, f, rule, required(rule)); err != nil {
			return err
		}
	}
	return nil
}

// field checks one field: presence, then form.
func field(m protoreflect.Message, f protoreflect.FieldDescriptor, rule *pb.FieldRule, required bool) error {
	name := shownName(f, rule)
	if !m.Has(f) {
		if required && !zeroCounts(f, rule) {
			return refusal.New(name, "", rule.Help)
		}
		return nil
	}
	if f.IsList() {
		return list(name, m.Get(f).List(), f, rule)
	}
	return value(name, m.Get(f), f, rule)
}

// shownName is the name a person knows the field by: the flag with low lines
// when it has one of its own, else the field's name.
func shownName(f protoreflect.FieldDescriptor, rule *pb.FieldRule) string {
	if rule.Flag != "" {
		return strings.ReplaceAll(rule.Flag, "-", "_")
	}
	return string(f.Name())
}

// zeroCounts says that an absent number means zero and zero is a fair value.
func zeroCounts(f protoreflect.FieldDescriptor, rule *pb.FieldRule) bool {
	switch f.Kind() {
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return !f.IsList() && !f.HasPresence() && (rule.Min == nil || *rule.Min <= 0)
	}
	return false
}

func list(name string, l protoreflect.List, f protoreflect.FieldDescriptor, rule *pb.FieldRule) error {
	most := maxItems
	if rule.MaxItems != 0 {
		most = int(rule.MaxItems)
	}
	if l.Len() > most {
		return refusal.New(name, fmt.Sprintf("%d items", l.Len()), fmt.Sprintf("at most %d", most))
	}
	seen := map[string]bool{}
	for i := range l.Len() {
		if err := value(name, l.Get(i), f, rule); err != nil {
			return err
		}
		if rule.Format == pb.Format_FORMAT_BAG {
			if s := l.Get(i).String(); seen[s] {
				return refusal.New(name, s, "each bag once")
			} else {
				seen[s] = true
			}
		}
	}
	return nil
}

func value(name string, v protoreflect.Value, f protoreflect.FieldDescriptor, rule *pb.FieldRule) error {
	switch f.Kind() {
	case protoreflect.StringKind:
		return text(name, v.String(), rule)
	case protoreflect.BytesKind:
		return size(name, len(v.Bytes()), rule)
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return number(name, float64(v.Int()), rule)
	case protoreflect.Uint32Kind, protoreflect.Uint64Kind:
		return number(name, float64(v.Uint()), rule)
	case protoreflect.DoubleKind:
		return number(name, v.Float(), rule)
	case protoreflect.EnumKind:
		if f.Enum().Values().ByNumber(v.Enum()) == nil {
			return refusal.New(name, int32(v.Enum()), "one of "+EnumWords(f.Enum()))
		}
	case protoreflect.MessageKind:
		return message(name, v.Message(), rule)
	}
	return nil
}

// number checks bounds and shows value and bounds in the unit that was typed.
func number(name string, v float64, rule *pb.FieldRule) error {
	scale := float64(max(rule.Scale, 1))
	low, high := math.Inf(-1), math.Inf(1)
	if rule.Min != nil {
		low = *rule.Min
	}
	if rule.Max != nil {
		high = *rule.Max
	}
	if math.IsNaN(v) || math.IsInf(v, 0) || v < low || v > high {
		want := fmt.Sprintf("%v to %v", low/scale, high/scale)
		if rule.Help != "" {
			want += ": " + rule.Help
		}
		return refusal.New(name, v/scale, want).Because(rule.Hint)
	}
	return nil
}

func size(name string, n int, rule *pb.FieldRule) error {
	most := maxText
	if rule.MaxLen != 0 {
		most = int(rule.MaxLen)
	}
	if n > most {
		return refusal.New(name, fmt.Sprintf("%d bytes", n), fmt.Sprintf("at most %d bytes", most))
	}
	return nil
}

func text(name, s string, rule *pb.FieldRule) error {
	most := maxText
	if rule.MaxLen != 0 {
		most = int(rule.MaxLen)
	}
	if len(s) > most {
		return refusal.New(name, s, fmt.Sprintf("at most %d bytes of text", most))
	}
	if !utf8.ValidString(s) {
		return refusal.New(name, s, "text in UTF-8")
	}
	for _, r := range s {
		if (r < 0x20 && r != '\n' && r != '\t') || r == 0x7f {
			return refusal.New(name, s, "text without control characters")
		}
	}
	return form(name, s, rule.Format)
}

// form checks a text of a stated format. Empty text has passed as absent.
func form(name, s string, format pb.Format) error {
	switch format {
	case pb.Format_FORMAT_BAG:
		n, err := label.ParseBag(s)
		if err == nil && string(n) != s {
			return refusal.New(name, s, "the number in capitals without dashes")
		}
		return renamed(err, name)
	case pb.Format_FORMAT_BATCH:
		if label.CanonicalBatch(s) == "" {
			return refusal.New(name, s, "a batch code as printed")
		}
	case pb.Format_FORMAT_DAY:
		d, err := label.ParseDay(name, s)
		if err == nil && d.String() != s {
			return refusal.New(name, s, "YYYY-MM-DD or YYYY-MM")
		}
		return err
	case pb.Format_FORMAT_CHIP:
		return digits(name, s, 15, "a microchip: 15 digits")
	case pb.Format_FORMAT_UELN:
		if len(s) != 15 {
			return refusal.New(name, s, "a UELN: 15 characters")
		}
	case pb.Format_FORMAT_RECORD:
		if _, ok := ParseHash(s); !ok {
			return refusal.New(name, s, "the hash of a record: 64 hex digits")
		}
	case pb.Format_FORMAT_ZONE:
		if _, err := zone.Load(s); err != nil {
			return refusal.New(name, s, "a name of the tz database, e.g. Europe/Dublin")
		}
	case pb.Format_FORMAT_CURRENCY:
		if len(s) != 3 || strings.ToUpper(s) != s {
			return refusal.New(name, s, "an ISO 4217 code, e.g. EUR")
		}
	}
	return nil
}

// renamed gives a refusal of another package the name of this field.
func renamed(err error, name string) error {
	var e *refusal.Error
	if errors.As(err, &e) {
		e.Field = name
		return e
	}
	return err
}

func digits(name, s string, n int, want string) error {
	if len(s) != n || strings.Trim(s, "0123456789") != "" {
		return refusal.New(name, s, want)
	}
	return nil
}

func message(name string, m protoreflect.Message, rule *pb.FieldRule) error {
	switch p := m.Interface().(type) {
	case *pb.Moment:
		return moment(name, p)
	case *pb.Sealed:
		return sealed(name, p, rule)
	}
	return validate(m)
}

// moment accepts the years 1970 to 2100 and a known zone.
func moment(name string, p *pb.Moment) error {
	if p.UnixMs < 0 || p.UnixMs*1000 > lastWall {
		return refusal.New(name, time.UnixMilli(p.UnixMs).UTC().Format(time.RFC3339), "a time from 1970 to 2100")
	}
	if p.Zone != "" {
		return form(name, p.Zone, pb.Format_FORMAT_ZONE)
	}
	return nil
}

// sealed checks the plain text of a request, or the parts of a sealed field.
func sealed(name string, p *pb.Sealed, rule *pb.FieldRule) error {
	if p.Plain != "" {
		return text(name, p.Plain, rule)
	}
	if len(p.KeyId) != 16 || len(p.Nonce) != 24 || len(p.Ciphertext) < 16 || len(p.Ciphertext) > maxCiphertext {
		return refusal.New(name, fmt.Sprintf("%d bytes", len(p.Ciphertext)), "a text")
	}
	return nil
}

// EnumWords lists an enum's values as people type them, without the zero.
func EnumWords(e protoreflect.EnumDescriptor) string {
	var words []string
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			words = append(words, EnumWord(v))
		}
	}
	return strings.Join(words, ", ")
}

// EnumWord is an enum value as people type it: lower case, without the prefix.
func EnumWord(v protoreflect.EnumValueDescriptor) string {
	e := v.Parent().(protoreflect.EnumDescriptor)
	first := string(e.Values().Get(0).Name())
	prefix := strings.TrimSuffix(first, "UNSPECIFIED")
	return strings.ToLower(strings.TrimPrefix(string(v.Name()), prefix))
}
