// Package caution holds the fixed list of warnings the program can show.
//
// A caution has a code that never changes (records and monthly counts of
// overrides refer to it), a level and a text with the numbers filled in. Each
// is defined once, as a package variable beside the code that raises it:
//
//	var overCeiling = caution.Define("rate_over_ceiling", caution.Reason,
//		"%s mL/kg/h is over the ceiling of %s mL/kg/h …")
//
// Define panics on a duplicate code at start-up, so that the list stays fixed
// and every code has one meaning. All returns it for documentation and tests.
package caution

import (
	"cmp"
	"fmt"
	"slices"
)

// Level says what a caution asks of the person. Higher is graver.
type Level uint8

// The levels, append-only.
const (
	Note    Level = iota + 1 // worth knowing
	Caution                  // think again before going on
	Reason                   // going on takes a typed reason
)

// String is the level as JSON and tables show it: note, caution, reason.
func (l Level) String() string {
	switch l {
	case Note:
		return "note"
	case Caution:
		return "caution"
	case Reason:
		return "reason"
	}
	return fmt.Sprintf("level_%d", uint8(l))
}

// Kind is one entry of the fixed list.
type Kind struct {
	Code   string
	Level  Level
	Format string
}

// Raised is a caution with its numbers filled in.
type Raised struct {
	Code  string
	Level Level
	Text  string
}

var all = map[string]*Kind{}

// Define adds a caution to the fixed list. Call it only in package variables.
func Define(code string, level Level, format string) *Kind {
	if _, dup := all[code]; dup {
		panic("caution: code defined twice: " + code)
	}
	k := &Kind{Code: code, Level: level, Format: format}
	all[code] = k
	return k
}

// With fills in the numbers.
func (k *Kind) With(args ...any) Raised {
	return Raised{Code: k.Code, Level: k.Level, Text: fmt.Sprintf(k.Format, args...)}
}

// Lookup finds a caution by its code.
func Lookup(code string) (*Kind, bool) {
	k, ok := all[code]
	return k, ok
}

// All lists every caution, by code.
func All() []*Kind {
	out := make([]*Kind, 0, len(all))
	for _, k := range all {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b *Kind) int { return cmp.Compare(a.Code, b.Code) })
	return out
}

// Gravest sorts the gravest first, keeping the order within a level.
func Gravest(raised []Raised) []Raised {
	out := slices.Clone(raised)
	slices.SortStableFunc(out, func(a, b Raised) int { return cmp.Compare(b.Level, a.Level) })
	return out
}

// Once keeps the first of every code.
func Once(raised []Raised) (out []Raised) {
	for _, r := range raised {
		if !slices.ContainsFunc(out, func(o Raised) bool { return o.Code == r.Code }) {
			out = append(out, r)
		}
	}
	return out
}
