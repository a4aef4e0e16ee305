package cli

import (
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// risky runes steer a terminal or turn the reading order around.
func risky(r rune) bool {
	switch {
	case r == '\n' || r == '\t':
		return false
	case unicode.IsControl(r), r >= 0x202a && r <= 0x202e, r >= 0x2066 && r <= 0x2069, r == 0x061c, r == 0x200e, r == 0x200f:
		return true
	}
	return false
}

// clean takes from a text what could steer the terminal. Line breaks stay.
func clean(s string) string {
	if utf8.ValidString(s) && strings.IndexFunc(s, risky) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if risky(r) {
			return utf8.RuneError
		}
		return r
	}, strings.ToValidUTF8(s, string(utf8.RuneError)))
}

// line is a text cleaned and on one line, for cells of tables.
func line(s string) string { return strings.Join(strings.Fields(clean(s)), " ") }

// cleanWriter cleans all that is printed through it. Each write holds whole
// runes: we print whole texts. It remembers the first failure, since few who print
// can do anything about it: a sheet that went to a full disk must not look printed.
type cleanWriter struct {
	to     io.Writer
	failed error
}

func (w *cleanWriter) Write(p []byte) (int, error) {
	if _, err := io.WriteString(w.to, clean(string(p))); err != nil {
		if w.failed == nil {
			w.failed = err
		}
		return 0, err
	}
	return len(p), nil
}
