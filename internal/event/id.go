package event

import (
	"encoding/base32"
	"fmt"
	"io"
)

// idAlphabet leaves out the letters that are misread: I, L, O and U.
var idAlphabet = base32.NewEncoding("0123456789ABCDEFGHJKMNPQRSTVWXYZ").WithPadding(base32.NoPadding)

// NewID makes the random id of a case, place, person and the like: ten
// characters that can be read out, 50 bits, never derived from a name.
func NewID(random io.Reader) (string, error) {
	var raw [7]byte
	if _, err := io.ReadFull(random, raw[:]); err != nil {
		return "", fmt.Errorf("new id: %w", err)
	}
	return idAlphabet.EncodeToString(raw[:])[:10], nil
}
