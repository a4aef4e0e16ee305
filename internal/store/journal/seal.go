package journal

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/binary"
	"errors"
)

const (
	cipherNone   = 0
	cipherAESGCM = 1

	keyBytes     = 32
	keyIDBytes   = 16
	sessionBytes = 8
	tagBytes     = 16
	sealBytes    = sessionBytes + tagBytes // what encryption adds to a frame
)

var errSeal = errors.New("frame does not authenticate")

// sealer encrypts and opens the frames of one segment; a nil aead is plain.
type sealer struct{ aead cipher.AEAD }

// newSealer derives the key of a segment from the journal's key.
func newSealer(key []byte, segment uint32) (sealer, error) {
	if key == nil {
		return sealer{}, nil
	}
	info := binary.BigEndian.AppendUint32([]byte("thawtrail journal segment 1"), segment)
	derived, err := hkdf.Key(sha256.New, key, nil, string(info), keyBytes)
	if err != nil {
		return sealer{}, err
	}
	block, err := aes.NewCipher(derived)
	if err != nil {
		return sealer{}, err
	}
	aead, err := cipher.NewGCM(block)
	return sealer{aead}, err
}

// headerTag authenticates the first bytes of a segment header.
func (s sealer) headerTag(session [sessionBytes]byte, head []byte) []byte {
	if s.aead == nil {
		return make([]byte, tagBytes)
	}
	return s.aead.Seal(nil, nonce(session, 0), nil, head)
}

// seal appends the body of a frame that stands at offset.
func (s sealer) seal(b []byte, session [sessionBytes]byte, offset uint32, frame []byte) []byte {
	if s.aead == nil {
		return append(b, frame...)
	}
	b = append(b, session[:]...)
	return s.aead.Seal(b, nonce(session, offset), frame, nil)
}

// open gives the frame back, in place; the body is spent afterwards.
func (s sealer) open(body []byte, offset uint32) ([]byte, error) {
	if s.aead == nil {
		return body, nil
	}
	if len(body) < sealBytes {
		return nil, errSeal
	}
	sealed := body[sessionBytes:]
	frame, err := s.aead.Open(sealed[:0], nonce([sessionBytes]byte(body[:sessionBytes]), offset), sealed, nil)
	if err != nil {
		return nil, errSeal
	}
	return frame, nil
}

func nonce(session [sessionBytes]byte, offset uint32) []byte {
	return binary.BigEndian.AppendUint32(session[:], offset)
}
