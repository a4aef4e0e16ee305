package engine

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// Version names the set of formulas; records pin it. It goes up with any change
// that can change a number.
const Version = "engine-3"

// Range carries a central estimate and both ends.
type Range struct {
	Low, Mid, High float64
}

// Exactly is a range without width.
func Exactly(v float64) Range { return Range{v, v, v} }

// Basis is what every result shows beside its value.
type Basis struct {
	Cautions []caution.Raised
	Steps    []string
	Sources  []string
	Versions []string
}

// caution adds raised cautions.
func (b *Basis) caution(r ...caution.Raised) { b.Cautions = append(b.Cautions, r...) }

// usualSteps is room for the steps, and for the sources, of most plans.
const usualSteps = 18

// say adds one line as it is.
func (b *Basis) say(text string) {
	if b.Steps == nil {
		b.Steps = make([]string, 0, usualSteps)
	}
	b.Steps = append(b.Steps, text)
}

// first puts one line before all others.
func (b *Basis) first(text string) {
	b.say(text)
	copy(b.Steps[1:], b.Steps)
	b.Steps[0] = text
}

// step adds one line of arithmetic, in the format of appendText.
func (b *Basis) step(format string, args ...any) {
	var line [256]byte
	b.say(string(appendText(line[:0], format, args)))
}

// source adds the source of a constant, once.
func (b *Basis) source(texts ...string) {
	for _, t := range texts {
		seen := false
		for _, s := range b.Sources {
			seen = seen || s == t
		}
		if b.Sources == nil {
			b.Sources = make([]string, 0, usualSteps)
		}
		if !seen {
			b.Sources = append(b.Sources, t)
		}
	}
}

// bounds is the plausible and the hard range of one input.
type bounds struct {
	field                 string
	unit                  string
	hardLow, hardHigh     float64
	likelyLow, likelyHigh float64 // outside: implausible caution; both zero: none
	hint                  string  // the usual slip behind a value outside
}

var implausible = caution.Define("implausible_input", caution.Caution,
	"%s %s %s is unusual (usual %s to %s %s): check the value and its unit. %s")

// check refuses what is not a number or out of the hard range and returns a
// caution for what is merely unusual.
func (b bounds) check(v float64) ([]caution.Raised, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) || v < b.hardLow || v > b.hardHigh {
		return nil, refusal.New(b.field, num(v), fmt.Sprintf("%s to %s %s", num(b.hardLow), num(b.hardHigh), b.unit)).Because(b.hint)
	}
	if (b.likelyLow != 0 || b.likelyHigh != 0) && (v < b.likelyLow || v > b.likelyHigh) {
		return []caution.Raised{implausible.With(b.field, num(v), b.unit, num(b.likelyLow), num(b.likelyHigh), b.unit, b.hint)}, nil
	}
	return nil, nil
}

// appendText fills numbers and texts into a format: %s takes a float64 (as num
// prints it), a range, a text; %d an int; %% is a per cent sign. It does what
// fmt.Sprintf does for these at a fraction of the allocations: a plan has a dozen
// such lines. What has no argument, or one of another type, shows as %!.
func appendText(out []byte, format string, args []any) []byte {
	for {
		i := strings.IndexByte(format, '%')
		if i < 0 || i == len(format)-1 {
			return append(out, format...)
		}
		out = append(out, format[:i]...)
		verb := format[i+1]
		format = format[i+2:]
		if verb == '%' {
			out = append(out, '%')
			continue
		}
		if len(args) == 0 {
			out = append(out, "%!"...)
			continue
		}
		out = appendOne(out, args[0])
		args = args[1:]
	}
}

func appendOne(out []byte, arg any) []byte {
	switch v := arg.(type) {
	case float64:
		return appendNum(out, v)
	case string:
		return append(out, v...)
	case int:
		return strconv.AppendInt(out, int64(v), 10)
	case Range:
		return v.append(out)
	case *Range:
		return v.append(out)
	}
	return append(out, "%!"...)
}

// num prints a number for people: three digits at most after a decimal point, no
// exponent in the range we meet, no thousands separator.
func num(v float64) string {
	var room [32]byte
	return string(appendNum(room[:0], v))
}

func appendNum(out []byte, v float64) []byte {
	digits := 3
	switch a := math.Abs(v); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return strconv.AppendFloat(out, v, 'g', -1, 64)
	case a >= 1000:
		return strconv.AppendFloat(out, math.Round(v), 'f', -1, 64)
	case a >= 100:
		digits = 1
	case a >= 10:
		digits = 2
	}
	out = strconv.AppendFloat(out, v, 'f', digits, 64)
	for out[len(out)-1] == '0' { // there is a decimal point
		out = out[:len(out)-1]
	}
	if out[len(out)-1] == '.' {
		out = out[:len(out)-1]
	}
	return out
}
