package words

import (
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Say is a sentence of the catalogue as plain text.
func Say(key string, values ...any) string { return say.Text(key, values...) }

// HTML is a sentence of the catalogue for a template: its marks become tags,
// and its values are text whatever they hold.
func HTML(key string, values ...any) template.HTML {
	return template.HTML(say.Marked(key, values...)) // #nosec G203 -- each value is escaped
}

// List is the items of a list of the catalogue.
func List(key string) []string { return say.List(key) }

// Kept is the items of a list of the catalogue as records keep them.
func Kept(key string) []string { return say.Kept(key) }

// Translates says that what services say has to be said in another language.
func Translates() bool { return say.Spoken() != say.English }

// Told is what a service said, in the language that is spoken.
func Told(text string) string { return say.Told(text) }

// ScriptWords are the sentences of the scripts, with their values still open.
func ScriptWords() map[string]string {
	out := map[string]string{}
	for _, key := range say.Keys() {
		if name, ok := strings.CutPrefix(key, "script."); ok {
			out[name] = Say(key, "{1}", "{2}", "{3}")
		}
	}
	return out
}

// Num prints a number with at most three digits behind the point and no
// thousands separators.
func Num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	decimals := 3
	for limit := 10.0; limit <= 1000 && math.Abs(v) >= limit; limit *= 10 {
		decimals--
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Whole prints a number without digits behind the point.
func Whole(v float64) string { return strconv.FormatFloat(math.Round(v), 'f', -1, 64) }

// Tenth prints a number with one digit behind the point.
func Tenth(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// Span prints a middle with both ends.
func Span(r engine.Range, format func(float64) string, unit string) string {
	if r.Low == r.High {
		return format(r.Mid) + " " + unit
	}
	return Say("word.range", format(r.Mid), unit, format(r.Low), format(r.High))
}

// Tenths prints a count of tenths.
func Tenths(v int32) string { return strconv.FormatFloat(float64(v)/10, 'f', 1, 64) }

// TenthsOf prints a count of tenths; nothing for none.
func TenthsOf(v *int32) string {
	if v == nil {
		return ""
	}
	return Tenths(*v)
}

// IntOf prints a count; nothing for none.
func IntOf(v *int32) string {
	if v == nil {
		return ""
	}
	return strconv.Itoa(int(*v))
}

// Money prints minor units.
func Money(v int64) string { return wording.Money(v) }

// Enum is an enum value in words; empty for none.
func Enum(e protoreflect.Enum) string { return wording.Enum(e) }

// Choice is the code of a choice in words.
func Choice(enum, code string) string { return wording.Choice(enum, code) }

// Plain shows a code word as words.
func Plain(s string) string { return strings.ReplaceAll(s, "_", " ") }

// Moment is a time for people: never ambiguous, to the minute.
func Moment(t time.Time) string { return t.Format(Say("time.moment")) }

// ParseTime reads the RFC 3339 of an answer.
func ParseTime(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}
	}
	return t
}

// SavedState says how far a record has come.
func SavedState(s pb.SavedState) string {
	switch s {
	case pb.SavedState_SAVED_STATE_SENT:
		return Say("saved.sent")
	case pb.SavedState_SAVED_STATE_HELD_ON_SERVER:
		return Say("saved.held")
	}
	return Say("saved.here")
}

// Sentence begins with a capital letter; the millilitre keeps its sign, since ML would be
// a million litres.
func Sentence(s string) string {
	if strings.HasPrefix(s, "mL ") || s == "mL" {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// YesNo says a truth.
func YesNo(b bool) string {
	if b {
		return Say("word.yes")
	}
	return Say("word.no")
}

// HoldReached tells whether a hold could have been known, never as blame.
func HoldReached(code string) string {
	switch code {
	case "reached":
		return Say("doubt.reached")
	case "not_reached":
		return Say("doubt.not_reached")
	case "unknown":
		return Say("doubt.unknown")
	}
	return ""
}

// BagNumber is a bag's number as stickers show it.
func BagNumber(id string) string {
	if id == "" {
		return ""
	}
	return label.BagNumber(id).String()
}

// UnitOf is the unit of a field whose name does not end with one; empty for none.
func UnitOf(field string) string {
	if unit := List("unit." + field); len(unit) == 1 {
		return unit[0]
	}
	return ""
}

// LabelOf is the label and the hint of a field: the words of the catalogue, where
// the contract's own help is too short for a person in a barn.
func LabelOf(eventName, field string, rule *pb.FieldRule) (label, hint string) {
	for _, key := range []string{eventName + "." + field, field} {
		if words := List("field." + key); len(words) == 2 {
			return words[0], words[1]
		} else if len(words) == 1 {
			return words[0], ""
		}
	}
	help := rule.Help
	if help == "" {
		help = strings.ReplaceAll(field, "_", " ")
	}
	help = strings.TrimSuffix(help, " in C")
	return Sentence(help), ""
}
