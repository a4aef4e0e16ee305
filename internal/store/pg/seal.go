package pg

import (
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"golang.org/x/crypto/chacha20poly1305"

	"thawtrail/internal/store/journal"
)

// First bytes of a stored frame.
const (
	plain  = 0
	sealed = 1
)

const frameInfo = "thawtrail truth frame 1"

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sealer closes and opens the frames of one practice.
type sealer struct {
	practice string
	aead     cipher.AEAD // nil: nothing is closed
	random   io.Reader
}

func newSealer(practice string, key []byte, random io.Reader) (s sealer, err error) {
	s = sealer{practice: practice, random: random}
	if random == nil {
		s.random = rand.Reader
	}
	if key == nil {
		return s, nil
	}
	if len(key) != chacha20poly1305.KeySize {
		return s, fmt.Errorf("%w: a key is %d bytes, not %d", journal.ErrKey, chacha20poly1305.KeySize, len(key))
	}
	derived, err := hkdf.Key(sha256.New, key, nil, frameInfo, chacha20poly1305.KeySize)
	if err == nil {
		s.aead, err = chacha20poly1305.NewX(derived)
	}
	return s, err
}

// place is what is authenticated beside a frame.
func (s sealer) place(at int64) []byte {
	return binary.BigEndian.AppendUint64([]byte(s.practice), uint64(at))
}

// close gives a frame as it is stored.
func (s sealer) close(at int64, frame []byte) ([]byte, error) {
	if s.aead == nil {
		b := make([]byte, 0, 1+crc32.Size+len(frame))
		b = binary.BigEndian.AppendUint32(append(b, plain), crc32.Checksum(frame, castagnoli))
		return append(b, frame...), nil
	}
	nonce := s.aead.NonceSize()
	b := make([]byte, 1+nonce, 1+nonce+len(frame)+s.aead.Overhead())
	b[0] = sealed
	if _, err := io.ReadFull(s.random, b[1:]); err != nil {
		return nil, fmt.Errorf("no randomness: %w", err)
	}
	return s.aead.Seal(b, b[1:], frame, s.place(at)), nil // #nosec G407 -- the nonce was drawn above
}

var errKind = errors.New("closed otherwise than this practice is")

// open gives the frame that was stored at a position, in the memory of the stored one.
func (s sealer) open(at int64, stored []byte) ([]byte, error) {
	switch {
	case s.aead == nil && len(stored) > 1+crc32.Size && stored[0] == plain:
		frame := stored[1+crc32.Size:]
		if binary.BigEndian.Uint32(stored[1:]) != crc32.Checksum(frame, castagnoli) {
			return nil, errors.New("its checksum does not fit")
		}
		return frame, nil
	case s.aead != nil && len(stored) > 1+s.aead.NonceSize() && stored[0] == sealed:
		nonce, body := stored[1:1+s.aead.NonceSize()], stored[1+s.aead.NonceSize():]
		return s.aead.Open(body[:0], nonce, body, s.place(at))
	}
	return nil, errKind
}
