// Package transcript writes secrets and fingerprints as characters that people read
// out, copy from paper and type: base 32 without the letters I, L, O and U, in
// groups, closed by a check character of ISO/IEC 7064 MOD 37,36.
//
// Reading forgives what people do: small letters, spaces and dashes, O for 0, I
// and L for 1.
package transcript

import (
	"encoding/base32"
	"fmt"
	"strings"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
)

const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var encoding = base32.NewEncoding(alphabet).WithPadding(base32.NoPadding)

// group is how many characters stand together.
const group = 4

// Base32 writes bytes as characters, without groups.
func Base32(raw []byte) string { return encoding.EncodeToString(raw) }

// FromBase32 reads what Base32 wrote.
func FromBase32(text string) ([]byte, error) { return encoding.DecodeString(text) }

// Groups parts characters into groups of four with dashes between.
func Groups(text string) string {
	var b strings.Builder
	for i := 0; i < len(text); i += group {
		if i > 0 {
			b.WriteByte('-')
		}
		b.WriteString(text[i:min(i+group, len(text))])
	}
	return b.String()
}

// Checked closes characters with their check character.
func Checked(text string) string {
	c, ok := label.CheckCharacter(text)
	if !ok {
		panic("typed: not letters and digits: " + text)
	}
	return text + string(c)
}

// Plain says that the check character of a text is not one that reading makes
// equal to a digit. Then every single wrong character is caught.
func Plain(text string) bool {
	c, ok := label.CheckCharacter(text)
	return ok && squeeze(rune(c)) == rune(c)
}

// Read takes typed characters together, makes look-alikes equal and checks the
// check character over salt and text. It returns the characters without it.
// Refusals name the field and never echo what may be a secret.
func Read(field, salt, text string, length int) (string, error) {
	if len(text) > 8*(length+1) {
		return "", refusal.New(field, "(too long)", fmt.Sprintf("%d characters", length+1))
	}
	plain := strings.Map(squeeze, text)
	if len(plain) != length+1 {
		return "", refusal.New(field, fmt.Sprintf("%d characters", len(plain)), fmt.Sprintf("%d characters in groups of %d", length+1, group))
	}
	body, check := plain[:length], plain[length]
	if i := strings.IndexFunc(body, func(r rune) bool { return !strings.ContainsRune(alphabet, r) }); i >= 0 {
		return "", refusal.New(field, fmt.Sprintf("character %d", i+1), "digits and letters other than I, L, O and U")
	}
	// The check character uses all letters; those that squeeze made equal are equal here too.
	if want, _ := label.CheckCharacter(salt + body); squeeze(rune(want)) != rune(check) {
		return "", refusal.New(field, "(hidden)", "characters that fit their check character").Because("one was misread or two were swapped")
	}
	return body, nil
}

// Squeezed drops what only parts groups and makes look-alikes one, for codes with
// a check of their own.
func Squeezed(text string) string { return strings.Map(squeeze, text) }

// squeeze drops what only parts groups and makes look-alikes one.
func squeeze(r rune) rune {
	switch {
	case r == ' ' || r == '-' || r == '\t' || r == '\n' || r == '\r' || r == '.' || r == '\u00a0' || 0x2010 <= r && r <= 0x2015:
		return -1
	case 'a' <= r && r <= 'z':
		r -= 'a' - 'A'
	}
	switch r {
	case 'O':
		return '0'
	case 'I', 'L':
		return '1'
	}
	return r
}
