package cli

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	pb "thawtrail/proto/thawtrail/v1"
)

// headText is a heading as a table shows it: volume, mL.
func headText(f protoreflect.FieldDescriptor) string {
	words, unit := event.Heading(f)
	if unit == "" {
		return words
	}
	return words + ", " + unit
}

// number prints a number with at most four digits that matter, no exponent and
// no thousands separators.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Sprint(v)
	}
	decimals := 0
	for limit := 1000.0; math.Abs(v) < limit && decimals < 4; limit /= 10 {
		decimals++
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "0" && v != 0 || s == "-0" {
		return strconv.FormatFloat(v, 'g', 2, 64)
	}
	return s
}

// clockText shows RFC 3339 as a date and a time to the minute.
func clockText(s string) string {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.Format("2006-01-02 15:04")
	}
	return s
}

// bagText shows a bag number in groups; the start of one stays as it is.
func bagText(s string) string {
	if bag, err := label.ParseBag(s); err == nil {
		return bag.String()
	}
	return s
}

const hashLength, shortHash = 64, 8

func isHash(s string) bool {
	return len(s) == hashLength && strings.Trim(s, "0123456789abcdef") == ""
}

// hashText shows the start of a hash, which is enough to name a record.
func hashText(s string) string {
	if isHash(s) {
		return s[:shortHash]
	}
	return s
}

// isClock says that a text field holds a time.
func isClock(name string) bool {
	return name == "at" || name == "now" || name == "use_by" || name == "recheck_due" || strings.HasSuffix(name, "_at")
}

// savedText says where a record is, in words.
func savedText(s pb.SavedState) string {
	switch s {
	case pb.SavedState_SAVED_STATE_SAVED_HERE:
		return "saved here"
	case pb.SavedState_SAVED_STATE_SENT:
		return "sent"
	case pb.SavedState_SAVED_STATE_HELD_ON_SERVER:
		return "held on the clinic's server"
	}
	return ""
}

// cell is the text of one value.
func cell(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	rule := event.RuleOf(f)
	scale := float64(max(rule.Scale, 1))
	if strings.HasSuffix(string(f.Name()), "_minor") {
		return fmt.Sprintf("%.2f", float64(v.Int())/100)
	}
	switch f.Kind() {
	case protoreflect.BoolKind:
		if v.Bool() {
			return "yes"
		}
		return ""
	case protoreflect.DoubleKind:
		return number(v.Float())
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return strconv.FormatFloat(float64(v.Int())/scale, 'f', -1, 64)
	case protoreflect.Uint32Kind, protoreflect.Uint64Kind:
		return strconv.FormatUint(v.Uint(), 10)
	case protoreflect.EnumKind:
		return enumText(f, v.Enum())
	case protoreflect.BytesKind:
		return fmt.Sprintf("%x", v.Bytes())
	case protoreflect.MessageKind:
		return messageText(v.Message())
	}
	return stringText(f, v.String())
}

func enumText(f protoreflect.FieldDescriptor, n protoreflect.EnumNumber) string {
	if f.Enum().FullName() == pb.SavedState_SAVED_STATE_UNSPECIFIED.Descriptor().FullName() {
		return savedText(pb.SavedState(n))
	}
	if v := f.Enum().Values().ByNumber(n); v != nil && n != 0 {
		return strings.ReplaceAll(event.EnumWord(v), "_", " ")
	}
	return ""
}

func stringText(f protoreflect.FieldDescriptor, s string) string {
	switch name := string(f.Name()); {
	case strings.HasPrefix(name, "bag") || name == "runner_up":
		return line(bagText(s))
	case isClock(name):
		return line(clockText(s))
	case strings.HasPrefix(name, "state") || name == "colostrum_window" || name == "igg_class" || name == "hold_reached":
		return line(strings.ReplaceAll(s, "_", " "))
	}
	return line(hashText(s))
}

// spanText is a central estimate with its unit, and both ends.
func spanText(x *pb.Span, unit string) string {
	mid := strings.TrimSpace(number(x.Mid) + " " + unit)
	if x.Low == x.High {
		return mid
	}
	return fmt.Sprintf("%s  (%s to %s)", mid, number(x.Low), number(x.High))
}

// messageText is a small message on one line.
func messageText(m protoreflect.Message) string {
	switch x := m.Interface().(type) {
	case *pb.Span:
		return spanText(x, "")
	case *pb.Freshness:
		return line(x.Text)
	case *pb.Moment:
		zone, err := time.LoadLocation(x.Zone)
		if err != nil {
			zone = time.UTC
		}
		return time.UnixMilli(x.UnixMs).In(zone).Format("2006-01-02 15:04 MST")
	case *pb.Sealed:
		if x.Plain == "" {
			return "(sealed)"
		}
		return line(x.Plain)
	}
	return ""
}
