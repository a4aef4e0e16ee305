package seal

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"

	"golang.org/x/crypto/chacha20poly1305"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// MaxPlainBytes bounds the words of one field.
const MaxPlainBytes = 32 << 10

const (
	keyContext   = "thawtrail field key 1\x00"
	fieldContext = "thawtrail sealed field 1\x00"
)

// Errors of opening a field.
var (
	// ErrOtherKey: the field was sealed under another key than the one given.
	ErrOtherKey = errors.New("sealed under another key")
	// ErrTampered: the bytes were changed, or moved from another field or entity.
	ErrTampered = errors.New("sealed field does not open: changed, or moved from elsewhere")
)

// Key is the secret that one entity's fields are sealed under. It has no String
// that shows it.
type Key [chacha20poly1305.KeySize]byte

// String hides the key from logs.
func (k Key) String() string { return "key " + k.ID().String() }

// GoString hides the key from %#v.
func (k Key) GoString() string { return k.String() }

// KeyID names a key and commits to it.
type KeyID [16]byte

// String is the id in hex.
func (id KeyID) String() string { return hex.EncodeToString(id[:]) }

// NewKey draws a key.
func NewKey(random io.Reader) (Key, error) {
	var k Key
	if _, err := io.ReadFull(random, k[:]); err != nil {
		return Key{}, fmt.Errorf("draw field key: %w", err)
	}
	return k, nil
}

// ID is the key's id.
func (k Key) ID() (id KeyID) {
	d := sha256.New()
	d.Write([]byte(keyContext))
	d.Write(k[:])
	copy(id[:], d.Sum(nil))
	return id
}

// Seal encrypts the words of one field of one entity.
func Seal(random io.Reader, key Key, entity event.Key, field string, words []byte) (*pb.Sealed, error) {
	if len(words) > MaxPlainBytes {
		return nil, fmt.Errorf("seal %s: %d bytes are more than %d", field, len(words), MaxPlainBytes)
	}
	nonce := make([]byte, chacha20poly1305.NonceSizeX)
	if _, err := io.ReadFull(random, nonce); err != nil {
		return nil, fmt.Errorf("seal %s: draw nonce: %w", field, err)
	}
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return nil, fmt.Errorf("seal %s: %w", field, err)
	}
	id := key.ID()
	return &pb.Sealed{KeyId: id[:], Nonce: nonce, Ciphertext: aead.Seal(nil, nonce, words, place(entity, field))}, nil
}

// Open decrypts a field. The error is ErrOtherKey or ErrTampered.
func Open(key Key, entity event.Key, field string, s *pb.Sealed) ([]byte, error) {
	id, ok := IDOf(s)
	if !ok || len(s.GetNonce()) != chacha20poly1305.NonceSizeX || len(s.GetCiphertext()) > MaxPlainBytes+chacha20poly1305.Overhead {
		return nil, ErrTampered
	}
	if id != key.ID() {
		return nil, ErrOtherKey
	}
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", field, err)
	}
	words, err := aead.Open(nil, s.Nonce, s.Ciphertext, place(entity, field))
	if err != nil {
		return nil, ErrTampered
	}
	return words, nil
}

// IDOf is the id of the key that a field needs.
func IDOf(s *pb.Sealed) (id KeyID, ok bool) { return ToID(s.GetKeyId()) }

// ToID reads an id.
func ToID(raw []byte) (id KeyID, ok bool) {
	ok = len(raw) == len(id)
	copy(id[:], raw)
	return id, ok
}

// place is the additional data: where the field belongs.
func place(entity event.Key, field string) []byte {
	b := []byte(fieldContext)
	for _, part := range []string{entity.Kind, entity.ID, field} {
		b = appendText(b, part)
	}
	return b
}

// appendText adds a text behind its length.
func appendText(b []byte, text string) []byte {
	b = binary.AppendUvarint(b, uint64(len(text)))
	return append(b, text...)
}
