// Package refusal is the one way this program says no to an input.
//
// A refusal names the field, the offending value, what was expected and, where
// one is likely, the slip behind it (wrong unit, decimal comma, pounds). The
// engine, the label readers, the record validator and the services all return
// it; the command line turns it into exit code 2 and gRPC into InvalidArgument
// (or FailedPrecondition when State is set).
package refusal

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Error is an input that was refused. Nothing was changed.
type Error struct {
	Field string // proto field name, e.g. weight_kg
	Value string // the offending value as the user gave it, shortened
	Want  string // the expected form or range, with its unit
	Hint  string // the likely slip, or empty
	State bool   // true when the value is well formed but does not fit what is known
}

// New refuses value for field; want says what was expected.
func New(field string, value any, want string) *Error {
	return &Error{Field: field, Value: Shorten(fmt.Sprint(value)), Want: want}
}

// Conflict refuses a well-formed value that does not fit what is known here.
func Conflict(field string, value any, want string) *Error {
	e := New(field, value, want)
	e.State = true
	return e
}

// Because adds the likely slip and returns the same refusal.
func (e *Error) Because(hint string) *Error {
	e.Hint = hint
	return e
}

// Error is one sentence on one line: field, value, what was expected, hint. A value
// that was not given is missing, not wrong.
func (e *Error) Error() string {
	var b strings.Builder
	if e.Value == "" {
		fmt.Fprintf(&b, "%s is missing: %s", e.Field, e.Want)
	} else {
		fmt.Fprintf(&b, "%s: %q was refused; expected %s", e.Field, e.Value, e.Want)
	}
	if e.Hint != "" {
		fmt.Fprintf(&b, " (%s)", e.Hint)
	}
	return b.String()
}

// As returns the refusal inside err, if there is one.
func As(err error) (*Error, bool) {
	var e *Error
	ok := errors.As(err, &e)
	return e, ok
}

// maxShown bounds how much of a bad value is echoed: a 1 MB text must not fill
// the terminal of the person who pasted it.
const maxShown = 60

// Shorten makes any text safe to echo: valid UTF-8, no control characters, and
// at most 60 characters with the full length named.
func Shorten(s string) string {
	total := len(s)
	if len(s) > 4*maxShown {
		s = s[:4*maxShown]
	}
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || (r >= 0x7f && r < 0xa0) || (r >= 0x202a && r <= 0x202e) || (r >= 0x2066 && r <= 0x2069) {
			return '\uFFFD'
		}
		return r
	}, s)
	if utf8.RuneCountInString(s) <= maxShown && total <= 4*maxShown {
		return s
	}
	runes := []rune(s)
	if len(runes) > maxShown {
		runes = runes[:maxShown]
	}
	return fmt.Sprintf("%s… (%d bytes)", string(runes), total)
}
