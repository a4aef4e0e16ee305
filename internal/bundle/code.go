package bundle

import (
	"bytes"
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/transcript"
	"thawtrail/internal/trust/vault"
)

const (
	codeChars = 13 // 65 bits
	codeSalt  = "PARCEL"
	// maxDraws bounds the redraws: a draw whose check character would look like a
	// digit is thrown away, one in twelve.
	maxDraws = 100
)

// Code opens one file. It has no String that shows it.
type Code struct{ chars string }

// String hides the code from logs; Text shows it.
func (c Code) String() string { return "one-time code" }

// GoString hides the code from %#v.
func (c Code) GoString() string { return c.String() }

// NewCode draws a code.
func NewCode(random io.Reader) (Code, error) {
	for range maxDraws {
		var raw [9]byte
		if _, err := io.ReadFull(random, raw[:]); err != nil {
			return Code{}, fmt.Errorf("draw code: %w", err)
		}
		if c := (Code{transcript.Base32(raw[:])[:codeChars]}); transcript.Plain(codeSalt + c.chars) {
			return c, nil
		}
	}
	return Code{}, errors.New("draw code: the random source repeats itself")
}

// CodeOf is the code of all backups of a machine: it follows from a secret that the
// machine has, and that the recovery sheet gives to whoever lost the machine.
func CodeOf(secret []byte) (Code, error) {
	stream, err := hkdf.Key(sha256.New, secret, nil, "thawtrail backup code 1", 9*maxDraws)
	if err != nil {
		return Code{}, err
	}
	return NewCode(bytes.NewReader(stream))
}

// Text is the code as people read and type it.
func (c Code) Text() string {
	checked := transcript.Checked(codeSalt + c.chars)
	return transcript.Groups(checked[len(codeSalt):])
}

// ParseCode reads a typed code. Refusals do not echo it.
func ParseCode(text string) (Code, error) {
	chars, err := transcript.Read("code", codeSalt, text, codeChars)
	if err == nil && !transcript.Plain(codeSalt+chars) {
		err = refusal.New("code", "(hidden)", "characters that fit their check character").Because("one was misread or two were swapped")
	}
	return Code{chars}, err
}

// key is the key of the file with this salt.
func (c Code) key(salt []byte) []byte {
	return vault.DefaultCost.Stretch([]byte("thawtrail parcel 1\x00"+c.chars), salt)
}
