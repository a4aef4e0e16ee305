package input

import (
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Names of the messages that are typed as one text.
var (
	MomentName = (&pb.Moment{}).ProtoReflect().Descriptor().FullName()
	sealedName = (&pb.Sealed{}).ProtoReflect().Descriptor().FullName()
)

// LongestText is the longest text where the rule states none, in bytes.
const LongestText = 200

// Field reads the text of one field.
type Field struct {
	Clock Clock // for times
	Desc  protoreflect.FieldDescriptor
	Rule  *pb.FieldRule
	Name  string // as refusals show it
	Scale int64  // stored = typed x Scale
}

func (t Field) refuse(text, want string) *refusal.Error {
	if t.Rule.Help != "" && want == "" {
		want = t.Rule.Help
	}
	return refusal.New(t.Name, text, want).Because(t.Rule.Hint)
}

// Put reads the texts into the field of m: one text, or the items of a list.
func (t Field) Put(m protoreflect.Message, texts []string) error {
	if t.Desc.IsList() {
		return t.putList(m, texts)
	}
	v, err := t.value(texts[0])
	if err != nil {
		return err
	}
	m.Set(t.Desc, v)
	return nil
}

func (t Field) putList(m protoreflect.Message, texts []string) error {
	list := m.Mutable(t.Desc).List()
	for _, text := range texts {
		for _, item := range t.split(text) {
			v, err := t.value(item)
			if err != nil {
				return err
			}
			list.Append(v)
		}
	}
	return nil
}

// split takes a list apart. Numbers part at semicolons and spaces, else at
// commas: 20,25,30 is three numbers, '20,5; 25' is two. Words and bag numbers
// part at commas; free text never does.
func (t Field) split(text string) []string {
	isNumber := t.Desc.Kind() == protoreflect.DoubleKind
	switch {
	case len(text) > maxListText:
		return []string{text}
	case isNumber && strings.ContainsAny(text, "; "):
		return strings.FieldsFunc(text, func(r rune) bool { return r == ';' || r == ' ' })
	case isNumber, t.Desc.Kind() == protoreflect.EnumKind, t.Rule.Format == pb.Format_FORMAT_BAG:
		return strings.Split(text, ",")
	}
	return []string{text}
}

// maxListText bounds a list typed into one text.
const maxListText = 64 << 10

// value reads one text.
func (t Field) value(text string) (protoreflect.Value, error) {
	switch t.Desc.Kind() {
	case protoreflect.BoolKind:
		return t.yesNo(text)
	case protoreflect.Int32Kind:
		n, err := t.whole(text, math.MinInt32, math.MaxInt32)
		return protoreflect.ValueOfInt32(int32(n)), err
	case protoreflect.Int64Kind:
		n, err := t.whole(text, math.MinInt64, math.MaxInt64)
		return protoreflect.ValueOfInt64(n), err
	case protoreflect.Uint32Kind:
		n, err := t.whole(text, 0, math.MaxUint32)
		return protoreflect.ValueOfUint32(uint32(n)), err
	case protoreflect.DoubleKind:
		v, err := label.ParseDecimal(t.Name, text)
		if err == nil {
			err = t.bounds(text, v)
		}
		return protoreflect.ValueOfFloat64(v), err
	case protoreflect.EnumKind:
		return t.enum(text)
	case protoreflect.BytesKind:
		b, err := hex.DecodeString(text)
		if err != nil || len(b) > 64 {
			return protoreflect.Value{}, t.refuse(text, "hex digits, two for each byte")
		}
		return protoreflect.ValueOfBytes(b), nil
	case protoreflect.MessageKind:
		return t.message(text)
	}
	s, err := t.text(text)
	return protoreflect.ValueOfString(s), err
}

func (t Field) yesNo(text string) (protoreflect.Value, error) {
	switch strings.ToLower(text) {
	case "true", "yes", "y", "1":
		return protoreflect.ValueOfBool(true), nil
	case "false", "no", "n", "0":
		return protoreflect.ValueOfBool(false), nil
	}
	return protoreflect.Value{}, t.refuse(text, "yes or no")
}

// whole reads a decimal into the stored whole number, exactly.
func (t Field) whole(text string, low, high int64) (int64, error) {
	n, err := label.ParseScaled(t.Name, text, t.Scale)
	if r, ok := refusal.As(err); ok && r.Hint == "" {
		return 0, r.Because(t.Rule.Hint)
	} else if err != nil {
		return 0, err
	}
	if n < low || n > high {
		return 0, t.refuse(text, fmt.Sprintf("%d to %d", low/t.Scale, high/t.Scale))
	}
	return n, t.bounds(text, float64(n))
}

// bounds compares a stored number with the rule and names the bounds as typed.
func (t Field) bounds(text string, stored float64) error {
	low, high := math.Inf(-1), math.Inf(1)
	if t.Rule.Min != nil {
		low = *t.Rule.Min
	}
	if t.Rule.Max != nil {
		high = *t.Rule.Max
	}
	if stored >= low && stored <= high {
		return nil
	}
	var want string
	switch bound := t.inTyped; {
	case math.IsInf(high, 1):
		want = "at least " + bound(low)
	case math.IsInf(low, -1):
		want = "at most " + bound(high)
	default:
		want = bound(low) + " to " + bound(high)
	}
	if t.Rule.Help != "" {
		want += ": " + t.Rule.Help
	}
	return t.refuse(text, want)
}

func (t Field) inTyped(stored float64) string {
	return strconv.FormatFloat(stored/float64(t.Scale), 'f', -1, 64)
}

// enum reads a word of a list; its beginning is enough where only one fits.
func (t Field) enum(text string) (protoreflect.Value, error) {
	word := strings.NewReplacer("-", "_", " ", "_").Replace(strings.ToLower(strings.TrimSpace(text)))
	values := t.Desc.Enum().Values()
	var begins []protoreflect.EnumNumber
	for i := range values.Len() {
		v := values.Get(i)
		known := event.EnumWord(v)
		if v.Number() == 0 {
			continue
		}
		if word == known {
			return protoreflect.ValueOfEnum(v.Number()), nil
		}
		if word != "" && strings.HasPrefix(known, word) {
			begins = append(begins, v.Number())
		}
	}
	if len(begins) == 1 {
		return protoreflect.ValueOfEnum(begins[0]), nil
	}
	return protoreflect.Value{}, t.refuse(text, "one of "+event.EnumWords(t.Desc.Enum()))
}

// text checks length and encoding; days and whole bag numbers take their one
// written form, the start of a bag number stays as it is typed.
func (t Field) text(text string) (string, error) {
	most := LongestText
	if t.Rule.MaxLen > 0 {
		most = int(t.Rule.MaxLen)
	}
	if len(text) > most {
		return "", t.refuse(text, fmt.Sprintf("at most %d bytes of text", most))
	}
	if !utf8.ValidString(text) {
		return "", t.refuse(text, "text in UTF-8")
	}
	switch t.Rule.Format {
	case pb.Format_FORMAT_DAY:
		day, err := label.ParseDay(t.Name, text)
		return day.String(), err
	case pb.Format_FORMAT_BAG:
		if bag, err := label.ParseBag(text); err == nil {
			return string(bag), nil
		}
	}
	return text, nil
}

func (t Field) message(text string) (protoreflect.Value, error) {
	var m proto.Message
	switch t.Desc.Message().FullName() {
	case MomentName:
		moment, err := t.Clock.Moment(string(t.Desc.Name()), text) // how it is read follows from the field, whatever it is called here
		if r, ok := refusal.As(err); ok {
			r.Field = t.Name
		}
		if err != nil {
			return protoreflect.Value{}, err
		}
		m = moment
	case sealedName:
		plain, err := t.text(text)
		if err != nil {
			return protoreflect.Value{}, err
		}
		m = &pb.Sealed{Plain: plain}
	default:
		return protoreflect.Value{}, fmt.Errorf("the field %s cannot be typed", t.Desc.FullName())
	}
	return protoreflect.ValueOfMessage(m.ProtoReflect()), nil
}
