package label

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"thawtrail/internal/refusal"
	"thawtrail/internal/unit"
)

// decimal is a number as it was typed: digits / 10^places, exact.
type decimal struct {
	negative bool
	digits   uint64
	places   int
	other    *unit.Unit // it was typed in this one, and not in the field's own; nil: in that
}

// rat is the number in the field's own unit.
func (d decimal) rat() *big.Rat {
	x := new(big.Rat).SetFrac(new(big.Int).SetUint64(d.digits), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(d.places)), nil))
	if d.negative {
		x.Neg(x)
	}
	if d.other != nil {
		x = d.other.FromTyped(x)
	}
	return x
}

const (
	decimalWant = "a number such as 8.5 or 8,5"
	// maxDigits keeps every number exact in 64 bits and below one unit in the
	// last place of a float64.
	maxDigits = 15
)

// fieldUnits are the units that a number may be followed by, by the end of the
// field's name, longest first where one ends in another. The field's own unit is
// taken, and a customary one of the same quantity: '800 mg/dL' typed into a g/L field
// is 8 g/L. A bare number is always in the field's own.
var fieldUnits = []struct{ ending, unit string }{
	{"_ml_per_kg_per_h", "mL/kg/h"},
	{"_ml_per_kg", "mL/kg"},
	{"_ml_per_h", "mL/h"},
	{"_ml_per_min", "mL/min"},
	{"_mg_per_dl", "mg/dL"},
	{"_g_per_l", "g/L"},
	{"_mmol_per_l", "mmol/L"},
	{"_ml", "mL"},
	{"_l", "L"},
	{"_kg", "kg"},
	{"_g", "g"},
	{"_cm", "cm"},
	{"_mm", "mm"},
	{"_m", "m"},
	{"_c", "C"},
	{"_minutes", "min"},
	{"_min", "min"},
	{"_h", "h"},
	{"_percent", "%"},
}

// ParseDecimal reads a number typed by a person: digits with at most one
// decimal point or comma, perhaps a sign, perhaps the field's own unit as named
// by the end of field (weight_kg: kg) or a customary one (weight_kg: lb). The result
// is the float64 nearest to the typed value. There are no thousands separators,
// exponents, NaN or infinities.
func ParseDecimal(field, text string) (float64, error) {
	d, err := parseDecimal(field, text)
	if err != nil {
		return 0, err
	}
	value, _ := d.rat().Float64() // at most 15 digits: always in range
	return value, nil
}

// ParseScaled reads a number as ParseDecimal does and returns it times scale,
// exactly: ParseScaled("igg_g_per_l", "8,25", 100) is 825. A number that is not
// a whole count of 1/scale is refused, as is one beyond an int64. One in a customary
// unit is rounded to the nearest count. Scale must be positive.
func ParseScaled(field, text string, scale int64) (int64, error) {
	d, err := parseDecimal(field, text)
	if err != nil {
		return 0, err
	}
	stored := d.rat()
	stored.Mul(stored, new(big.Rat).SetInt64(scale))
	if d.other == nil && !stored.IsInt() {
		return 0, refusal.New(field, text, "a whole number of "+strconv.FormatFloat(1/float64(scale), 'f', -1, 64)).Because("it has more decimals than are kept")
	}
	count, fits := unit.Nearest(stored)
	if !fits {
		return 0, refusal.New(field, text, "a smaller number")
	}
	return count, nil
}

// InOwnUnit says what a number that was typed in a customary unit is in the field's own,
// for who has to see both: '110 lb' in a field of kg, kept to 1/1000, is '49.895 kg'.
// False for every other text.
func InOwnUnit(field, text string, scale int64) (own string, converted bool) {
	d, err := parseDecimal(field, text)
	if err != nil || d.other == nil {
		return "", false
	}
	count, err := ParseScaled(field, text, scale)
	if err != nil {
		return "", false
	}
	number := big.NewRat(count, scale).FloatString(len(strconv.FormatInt(scale, 10)) - 1)
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	return number + " " + unitOf(field), true
}

func parseDecimal(field, text string) (decimal, error) {
	refuse := func(hint string) (decimal, error) {
		return decimal{}, refusal.New(field, text, decimalWant+inUnit(field)).Because(hint)
	}
	if len(text) > maxTyped {
		return refuse("")
	}
	number, sign, other, hint := stripUnit(field, strings.TrimFunc(text, isSpace))
	if hint != "" {
		return refuse(hint)
	}
	whole, fraction, hint := splitDecimal(number)
	if hint != "" {
		return refuse(hint)
	}
	if len(whole)+len(fraction) > maxDigits {
		return refuse(fmt.Sprintf("more than %d digits", maxDigits))
	}
	fraction = strings.TrimRight(fraction, "0")
	digits, err := strconv.ParseUint(whole+fraction, 10, 64)
	if err != nil {
		return refuse("")
	}
	return decimal{negative: sign && digits != 0, digits: digits, places: len(fraction), other: other}, nil
}

// stripUnit takes off a sign and the unit, and tells one that is not the field's own; hint
// says why not.
func stripUnit(field, text string) (number string, negative bool, other *unit.Unit, hint string) {
	switch {
	case strings.HasPrefix(text, "-"):
		text, negative = text[1:], true
	case strings.HasPrefix(text, "\u2212"): // the minus sign of word processors
		text, negative = text[len("\u2212"):], true
	case strings.HasPrefix(text, "+"):
		text = text[1:]
	}
	text = strings.TrimLeftFunc(text, isSpace)
	end := strings.LastIndexAny(text, "0123456789") + 1
	typed := strings.TrimFunc(text[end:], isSpace)
	if typed == "" || strings.Trim(typed, ".,") == "" || end == 0 {
		return text, negative, nil, ""
	}
	own := unitOf(field)
	if own == "" {
		return "", false, nil, "type the number alone, without " + refusal.Shorten(typed)
	}
	if other = unit.Find(own, typed); other != nil || strings.EqualFold(typed, own) || own == "C" && strings.EqualFold(typed, "°C") {
		return text[:end], negative, other, ""
	}
	return "", false, nil, "this field is in " + own + ", not " + refusal.Shorten(typed)
}

// unitOf is the unit in which field is, by the end of its name, or "". What
// ends in drops_per_ml is not in mL.
func unitOf(field string) string {
	for _, u := range fieldUnits {
		if stem, ok := strings.CutSuffix(field, u.ending); ok && !strings.HasSuffix(stem, "_per") {
			return u.unit
		}
	}
	return ""
}

func inUnit(field string) string {
	if own := unitOf(field); own != "" {
		return " in " + own
	}
	return ""
}

// splitDecimal splits a number at its decimal point or comma; hint says why it
// is not one.
func splitDecimal(number string) (whole, fraction, hint string) {
	const separators = ".,"
	at := strings.IndexAny(number, separators)
	if strings.ContainsFunc(number, isSpace) || strings.ContainsAny(number, "'\u2019_") {
		return "", "", "type it without thousands separators: 1234.5"
	}
	if at < 0 {
		whole = number
	} else {
		whole, fraction = number[:at], number[at+1:]
	}
	switch {
	case strings.ContainsAny(fraction, separators):
		return "", "", "type it without thousands separators: 1234.5"
	case at >= 0 && fraction == "":
		return "", "", "a digit is missing after the decimal point"
	case at == 0:
		return "", "", "a digit is missing before the decimal point: 0.5, not .5"
	case !allDigits(whole) || !allDigits(fraction):
		return "", "", ""
	case at > 0 && number[at] == ',' && len(fraction) == 3 && whole[0] != '0' && len(whole) <= 3:
		return "", "", fmt.Sprintf("this may be %s.%s or %s%s: type the one you mean", whole, fraction, whole, fraction)
	}
	return whole, fraction, ""
}

// allDigits says whether text has nothing but ASCII digits.
func allDigits(text string) bool {
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return false
		}
	}
	return true
}
