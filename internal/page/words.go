package page

import (
	"math"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
)

// num prints a number with at most three digits behind the point and no
// thousands separators.
func num(v float64) string {
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

// whole prints a number without digits behind the point.
func whole(v float64) string { return strconv.FormatFloat(math.Round(v), 'f', -1, 64) }

// tenth prints a number with one digit behind the point.
func tenth(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// span prints a middle with both ends.
func span(r engine.Range, format func(float64) string, unit string) string {
	if r.Low == r.High {
		return format(r.Mid) + " " + unit
	}
	return say("word.range", format(r.Mid), unit, format(r.Low), format(r.High))
}

// tenths prints a count of tenths.
func tenths(v int32) string { return strconv.FormatFloat(float64(v)/10, 'f', 1, 64) }

func tenthsOf(v *int32) string {
	if v == nil {
		return ""
	}
	return tenths(*v)
}

func intOf(v *int32) string {
	if v == nil {
		return ""
	}
	return strconv.Itoa(int(*v))
}

// money prints minor units.
func money(v int64) string { return strconv.FormatFloat(float64(v)/100, 'f', 2, 64) }

// enumText is an enum value in words; empty for none.
func enumText(e protoreflect.Enum) string {
	v := e.Descriptor().Values().ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return strings.ReplaceAll(event.EnumWord(v), "_", " ")
}

func containsFold(s, part string) bool {
	return part != "" && strings.Contains(strings.ToLower(s), strings.ToLower(part))
}

// plain shows a code word as words.
func plain(s string) string { return strings.ReplaceAll(s, "_", " ") }

// first3 splits cautions: at most three are shown, the rest unfolds.
func first3[T any](all []T) (shown, rest []T) {
	if len(all) <= 3 {
		return all, nil
	}
	return all[:3], all[3:]
}
