package invite

import (
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/transcript"
)

// A code is 20 characters in five groups:
//
//	10 characters  50 random bits: the secret
//	 9 characters  45 bits of the authority's fingerprint
//	 1 character   check
//
// A misread code is refused at the keyboard. One that fits belongs to one
// practice: the laptop will not speak to another server than the practice's.
const (
	secretChars = 10
	printChars  = authority.PrintChars
	bitsAChar   = 5
)

// Code is a code, taken apart. It has no String that shows it.
type Code struct {
	secret [8]byte // 50 bits, right-aligned
	print  string  // of the practice: see authority.Print
}

// String hides the code from logs; Text shows it.
func (c Code) String() string { return "one-time code" }

// GoString hides the code from %#v.
func (c Code) GoString() string { return c.String() }

// NewCode draws a code of the practice whose authority has this key.
func NewCode(key ed25519.PublicKey, random io.Reader) (Code, error) {
	for range maxDraws {
		var raw [8]byte
		if _, err := io.ReadFull(random, raw[:]); err != nil {
			return Code{}, fmt.Errorf("draw code: %w", err)
		}
		c := Code{print: authority.Print(key)}
		binary.BigEndian.PutUint64(c.secret[:], binary.BigEndian.Uint64(raw[:])>>(64-secretChars*bitsAChar))
		if transcript.Plain(c.body()) {
			return c, nil
		}
	}
	return Code{}, errors.New("draw code: the random source repeats itself")
}

// maxDraws bounds the redraws: one draw in twelve is thrown away, since its check
// character would look like a digit.
const maxDraws = 100

func (c Code) body() string {
	return chars(binary.BigEndian.Uint64(c.secret[:]), secretChars) + c.print
}

// Text is the code as people read and type it.
func (c Code) Text() string {
	return transcript.Groups(transcript.Checked(c.body()))
}

// ParseCode reads a typed code. Refusals do not echo it.
func ParseCode(text string) (Code, error) {
	body, err := transcript.Read("code", "", text, secretChars+printChars)
	if err == nil && !transcript.Plain(body) {
		err = refusal.New("code", "(hidden)", "characters that fit their check character").Because("one was misread or two were swapped")
	}
	if err != nil {
		return Code{}, err
	}
	c := Code{print: body[secretChars:]}
	binary.BigEndian.PutUint64(c.secret[:], number(body[:secretChars]))
	return c, nil
}

// Fits says whether an authority's key is the one that the code names.
func (c Code) Fits(key ed25519.PublicKey) bool { return c.print == authority.Print(key) }

// Print is the practice that the code names, as authority.Print gives it.
func (c Code) Print() string { return c.print }

// chars writes the low 5n bits of v as n characters.
func chars(v uint64, n int) string {
	var raw [8]byte
	binary.BigEndian.PutUint64(raw[:], v<<(64-n*bitsAChar))
	return transcript.Base32(raw[:])[:n]
}

// number reads characters that transcript.Read has checked: the reverse of chars.
func number(text string) uint64 {
	raw, err := transcript.FromBase32((text + "0000000000000")[:13])
	if err != nil {
		panic("invite: unchecked characters")
	}
	return binary.BigEndian.Uint64(raw) >> (64 - len(text)*bitsAChar)
}
