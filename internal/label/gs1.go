package label

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/refusal"
)

// Element is one field of a GS1 code: an application identifier and its value.
type Element struct {
	AI    string // 2 to 4 digits: 01 product, 10 batch, 17 expiry …
	Value string // as it stands in the code
	At    int    // where it begins, from 1; a separator counts as one
}

// groupSeparator ends a field of variable length: FNC1 in a symbol, ASCII 29 in
// what a scanner sends.
const groupSeparator = '\x1d'

// maxElements bounds what one code may hold; a bag's label has five or six.
const maxElements = 40

// identifier is the form of one application identifier.
type identifier struct {
	code  string // its last digit is n where a decimal position stands there
	name  string
	least int // characters of the value
	most  int // the same as least where the length is fixed
	form  form
}

type form uint8

const (
	anyText  form = iota // GS1 character set 82
	digits               // digits alone
	checked              // digits, the last a check digit
	dateForm             // YYMMDD
)

// identifiers are those read here. Source: GS1 Syntax Dictionary.
var identifiers = []identifier{
	{"01", "product", 14, 14, checked},
	{"02", "contained product", 14, 14, checked},
	{"10", "batch", 1, 20, anyText},
	{"11", "production date", 6, 6, dateForm},
	{"15", "best-before date", 6, 6, dateForm},
	{"17", "expiry", 6, 6, dateForm},
	{"20", "variant", 2, 2, digits},
	{"21", "serial", 1, 20, anyText},
	{"22", "product variant", 1, 20, anyText},
	{"30", "count", 1, 8, digits},
	{"310n", "net weight in kg", 6, 6, digits},
	{"315n", "net volume in litres", 6, 6, digits},
	{"37", "count of contained products", 1, 8, digits},
}

// identifierAt finds the identifier that text begins with.
func identifierAt(text string) (spec identifier, code string, ok bool) {
	for _, spec := range identifiers {
		stem := strings.TrimSuffix(spec.code, "n")
		if len(text) < len(spec.code) || !strings.HasPrefix(text, stem) {
			continue
		}
		code := text[:len(spec.code)]
		if stem == spec.code || '0' <= code[3] && code[3] <= '5' {
			return spec, code, true
		}
	}
	return identifier{}, "", false
}

// predefined gives the length of a whole field, identifier included, for those
// whose length follows from their first two digits and that need no separator.
// Source: GS1 Syntax Dictionary, flag *; 03, 04, 18, 19, 33 to 36 and 41 from
// memory.
func predefined(text string) int {
	if len(text) < 2 {
		return 0
	}
	switch two := text[:2]; {
	case two == "00":
		return 20
	case two == "04":
		return 18
	case "01" <= two && two <= "03", two == "41":
		return 16
	case "11" <= two && two <= "19":
		return 8
	case two == "20":
		return 4
	case "31" <= two && two <= "36":
		return 10
	}
	return 0
}

// gs1Reader collects fields and the first thing that is wrong.
type gs1Reader struct {
	today    Day
	elements []Element
	unread   []string // how fields begin that are not known here
	problem  string
}

// fault keeps the first problem, with its position from 1.
func (r *gs1Reader) fault(at int, format string, args ...any) {
	if r.problem == "" {
		r.problem = fmt.Sprintf("position %d: ", at) + fmt.Sprintf(format, args...)
	}
}

// add checks one field and keeps it even where it is wrong, so that a person
// sees what was read.
func (r *gs1Reader) add(spec identifier, e Element) {
	for _, before := range r.elements {
		if before.AI == e.AI && before.Value != e.Value {
			r.fault(e.At, "%s (%s) stands twice with unlike values", spec.name, e.AI)
		}
	}
	if len(r.elements) == maxElements {
		r.fault(e.At, "more than %d fields", maxElements)
		return
	}
	r.elements = append(r.elements, e)
	if what := spec.wrong(e.Value, r.today); what != "" {
		r.fault(e.At, "%s (%s) %q %s", spec.name, e.AI, refusal.Shorten(e.Value), what)
	}
}

// wrong says what is wrong with a value, or nothing.
func (spec identifier) wrong(value string, today Day) string {
	switch {
	case len(value) < spec.least && spec.least == spec.most:
		return fmt.Sprintf("is too short: %d characters, not %d", len(value), spec.least)
	case value == "":
		return "is empty"
	case len(value) > spec.most:
		return fmt.Sprintf("is too long: %d characters, at most %d; the scanner may have dropped a separator", len(value), spec.most)
	case spec.form != anyText && !allDigits(value):
		return "has something else than digits"
	case spec.form == anyText && strings.ContainsFunc(value, outside82):
		return "has a character that GS1 codes cannot hold"
	case spec.form == checked && !checkDigitFits(value):
		return "has a check digit that does not fit"
	}
	if spec.form == dateForm {
		if _, ok := GS1Date(value, today); !ok {
			return "is no date"
		}
	}
	return ""
}

// outside82 says whether r is not in GS1 character set 82.
func outside82(r rune) bool {
	return r <= ' ' || r > 'z' || strings.ContainsRune("#$@[\\]^`", r)
}

// elementString reads fields one after the other, as a scanner sends them.
func (r *gs1Reader) elementString(text string) {
	for i := 0; i < len(text); {
		if text[i] == groupSeparator {
			i++
			continue
		}
		end := len(text)
		if cut := strings.IndexByte(text[i:], groupSeparator); cut >= 0 {
			end = i + cut
		}
		if length := predefined(text[i:]); length > 0 {
			end = min(end, i+length)
		}
		if !r.field(text[i:end], i+1) {
			return
		}
		i = end
	}
}

// field reads one field with its identifier in front; false where the rest
// cannot be told apart.
func (r *gs1Reader) field(text string, at int) bool {
	spec, code, ok := identifierAt(text)
	switch {
	case ok:
		r.add(spec, Element{code, text[len(code):], at})
	case len(text) >= 2 && allDigits(text[:2]):
		r.unread = append(r.unread, text[:min(len(text), 4)])
	default:
		r.fault(at, "no GS1 field begins with %q", refusal.Shorten(text))
		return false
	}
	return true
}

var bracket = regexp.MustCompile(`\((\d{2,4})\)`)

// bracketed reads the form printed for people: (01)… (17)… (10)….
func (r *gs1Reader) bracketed(text string) {
	marks := bracket.FindAllStringSubmatchIndex(text, -1)
	if len(marks) == 0 || marks[0][0] != 0 {
		r.fault(1, "no identifier in brackets, such as (01)")
		return
	}
	for i, m := range marks {
		end := len(text)
		if i+1 < len(marks) {
			end = marks[i+1][0]
		}
		value := strings.Trim(text[m[1]:end], string(groupSeparator)+" ")
		code := text[m[2]:m[3]]
		if spec, whole, ok := identifierAt(code); ok && whole == code {
			r.add(spec, Element{code, value, m[0] + 1})
		} else {
			r.unread = append(r.unread, code)
		}
	}
}

// value is the first value of an identifier, or "".
func (r *gs1Reader) value(code string) string {
	for _, e := range r.elements {
		if e.AI == code {
			return e.Value
		}
	}
	return ""
}

// pairs checks that batch, dates and serial come with the product that they
// belong to. Source: GS1 Syntax Dictionary, attribute req.
func (r *gs1Reader) pairs() {
	owners := []string{"01", "02", "8006", "8026"}
	for _, e := range r.elements {
		if !strings.Contains(" 10 11 17 21 ", " "+e.AI+" ") {
			continue
		}
		owned := false
		for _, owner := range owners {
			owned = owned || (r.value(owner) != "" || slices.Contains(r.unread, owner)) && (e.AI != "21" || owner == "01" || owner == "8006")
		}
		if !owned {
			spec, _, _ := identifierAt(e.AI)
			r.fault(e.At, "%s (%s) stands without a product (01)", spec.name, e.AI)
		}
	}
}

// GS1CheckDigit is the check digit that closes a body of digits, for every GS1
// key alike: from the right, weights 3, 1, 3 … Source: GS1, how to calculate a
// check digit manually.
func GS1CheckDigit(body string) (string, error) {
	if body == "" || len(body) > maxTyped || !allDigits(body) {
		return "", refusal.New("check_digit", body, "digits alone, without the check digit")
	}
	sum := 0
	for i := range len(body) {
		weight := 3
		if (len(body)-i)%2 == 0 {
			weight = 1
		}
		sum += weight * int(body[i]-'0')
	}
	return string(symbols[(10-sum%10)%10]), nil
}

// checkDigitFits says whether the last digit closes the others.
func checkDigitFits(text string) bool {
	if len(text) < 2 {
		return false
	}
	check, err := GS1CheckDigit(text[:len(text)-1])
	return err == nil && check == text[len(text)-1:]
}

// GS1Date reads YYMMDD. Day 00 is the last day of the month. The century is the
// one that brings the year nearest to today's: 51 years ahead is the last
// century, 50 behind is the next. Source: GS1 General Specifications, section
// 7.12. Today must be a real day.
func GS1Date(text string, today Day) (Day, bool) {
	if len(text) != 6 || !allDigits(text) {
		return Day{}, false
	}
	year := today.Year - today.Year%100 + number(text[:2])
	switch ahead := year - today.Year; {
	case ahead >= 51:
		year -= 100
	case ahead <= -50:
		year += 100
	}
	d := Day{year, time.Month(number(text[2:4])), number(text[4:])}
	return d.Last(), d.Valid()
}
