package phones

import (
	"encoding/binary"
	"fmt"
	"io"
	"strings"

	"thawtrail/internal/refusal"
)

// Digits of a code, and how many there are.
const (
	digits = 8
	codes  = 100_000_000
)

// newCode draws a code. 2^64 is so much more than there are codes that none is
// likelier than another by more than one part in 10^11.
func newCode(random io.Reader) (string, error) {
	var raw [8]byte
	if _, err := io.ReadFull(random, raw[:]); err != nil {
		return "", fmt.Errorf("draw code: %w", err)
	}
	return fmt.Sprintf("%0*d", digits, binary.BigEndian.Uint64(raw[:])%codes), nil
}

// ParseCode reads a typed code: eight digits, however they are parted. A refusal
// does not echo it.
func ParseCode(text string) (string, error) {
	wrong := refusal.New("code", "(hidden)", fmt.Sprintf("the %d digits that the laptop shows", digits))
	if len(text) > 8*digits {
		return "", wrong
	}
	code := strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '.' || r == '\u00a0' {
			return -1
		}
		return r
	}, text)
	if len(code) != digits || strings.ContainsFunc(code, func(r rune) bool { return r < '0' || r > '9' }) {
		return "", wrong
	}
	return code, nil
}
