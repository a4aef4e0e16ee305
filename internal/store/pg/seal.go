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

// A row is a leaf: frames that were committed together, in their order. So a push is few
// rows, while a person's entry is one of its own.
//
//	1 byte   plain or sealed
//	4        CRC-32C of what follows, big endian        plain
//	24, 16   nonce before, tag behind what is closed    sealed
//	         of each frame: its length as uvarint, and the frame

// First bytes of a stored leaf.
const (
	plain  = 0
	sealed = 1
)

// leafBytes is what a leaf is filled up to; a longer frame is one alone. A row of this size
// stays in its page of 8 kB with others: beyond some 2 kB PostgreSQL cuts a value up and keeps
// the pieces as rows of another table (its manual, 73.2 TOAST).
const leafBytes = 1800

// leaves cuts a batch into leaves.
func leaves(frames [][]byte) (out [][][]byte) {
	size := leafBytes
	for _, f := range frames {
		own := binary.MaxVarintLen16 + len(f)
		if size+own > leafBytes {
			out, size = append(out, nil), 0
		}
		last := len(out) - 1
		out[last], size = append(out[last], f), size+own
	}
	return out
}

func packed(head []byte, frames [][]byte) []byte {
	for _, f := range frames {
		head = append(binary.AppendUvarint(head, uint64(len(f))), f...)
	}
	return head
}

var errLeaf = errors.New("what is in it is no list of records")

// unpacked takes a leaf apart, in its own memory.
func unpacked(b []byte) (frames [][]byte, err error) {
	for len(b) > 0 {
		n, head := binary.Uvarint(b)
		if head <= 0 || n == 0 || n > uint64(len(b)-head) || head > 1 && b[head-1] == 0 {
			return nil, errLeaf
		}
		b = b[head:]
		frames, b = append(frames, b[:n:n]), b[n:]
	}
	if len(frames) == 0 {
		return nil, errLeaf
	}
	return frames, nil
}

const leafInfo = "thawtrail truth leaf 1"

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sealer closes and opens the leaves of one practice.
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
	derived, err := hkdf.Key(sha256.New, key, nil, leafInfo, chacha20poly1305.KeySize)
	if err == nil {
		s.aead, err = chacha20poly1305.NewX(derived)
	}
	return s, err
}

// place is what is authenticated beside a leaf: the practice, and where its first frame lies.
func (s sealer) place(at int64) []byte {
	return binary.BigEndian.AppendUint64([]byte(s.practice), uint64(at))
}

// close gives a leaf as it is stored.
func (s sealer) close(at int64, frames [][]byte) ([]byte, error) {
	size := 0
	for _, f := range frames {
		size += binary.MaxVarintLen32 + len(f)
	}
	if s.aead == nil {
		b := packed(make([]byte, 1+crc32.Size, 1+crc32.Size+size), frames)
		b[0] = plain
		binary.BigEndian.PutUint32(b[1:], crc32.Checksum(b[1+crc32.Size:], castagnoli))
		return b, nil
	}
	head := 1 + s.aead.NonceSize()
	b := packed(make([]byte, head, head+size+s.aead.Overhead()), frames)
	b[0] = sealed
	nonce, body := b[1:head], b[head:]
	if _, err := io.ReadFull(s.random, nonce); err != nil {
		return nil, fmt.Errorf("no randomness: %w", err)
	}
	closed := s.aead.Seal(body[:0], nonce, body, s.place(at)) // #nosec G407 -- the nonce was drawn above
	return b[:head+len(closed)], nil
}

var errKind = errors.New("closed otherwise than this practice is")

// open gives the frames of the leaf that was stored at a position, in its memory.
func (s sealer) open(at int64, stored []byte) ([][]byte, error) {
	switch {
	case s.aead == nil && len(stored) > 1+crc32.Size && stored[0] == plain:
		body := stored[1+crc32.Size:]
		if binary.BigEndian.Uint32(stored[1:]) != crc32.Checksum(body, castagnoli) {
			return nil, errors.New("its checksum does not fit")
		}
		return unpacked(body)
	case s.aead != nil && len(stored) > 1+s.aead.NonceSize() && stored[0] == sealed:
		nonce, body := stored[1:1+s.aead.NonceSize()], stored[1+s.aead.NonceSize():]
		body, err := s.aead.Open(body[:0], nonce, body, s.place(at))
		if err != nil {
			return nil, err
		}
		return unpacked(body)
	}
	return nil, errKind
}
