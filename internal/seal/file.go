package seal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"thawtrail/internal/event"
)

// magic begins a keyring file; its last byte is the format version.
const (
	magic   = "ttkeys\x00"
	version = 1
)

// Errors of reading a keyring file.
var (
	ErrDamaged = errors.New("keyring file is damaged")
	ErrNewer   = errors.New("keyring file is of a newer version than this program knows")
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Encode gives the keyring's file, secret keys in clear: the caller encrypts it.
// Equal keyrings give equal bytes.
func (r *Keyring) Encode() []byte {
	r.mu.RLock()
	defer r.mu.RUnlock()
	b := append([]byte(magic), version)
	b = binary.AppendUvarint(b, uint64(len(r.keys)))
	for _, id := range sortedIDs(r.keys) {
		f := r.keys[id]
		b = appendEntity(append(b, f.Key[:]...), f.Entity)
	}
	b = binary.AppendUvarint(b, uint64(len(r.gone)))
	for _, id := range sortedIDs(r.gone) {
		b = append(b, id[:]...)
	}
	b = binary.AppendUvarint(b, uint64(len(r.goneOf)))
	for _, e := range sortedKeys(r.goneOf) {
		b = appendEntity(b, e)
	}
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

func appendEntity(b []byte, e event.Key) []byte { return appendText(appendText(b, e.Kind), e.ID) }

// Decode reads a keyring's file. Errors wrap ErrDamaged or ErrNewer; nothing of
// a damaged file is used.
func Decode(file []byte) (*Keyring, error) {
	n := len(file) - crc32.Size
	if n <= len(magic) || string(file[:len(magic)]) != magic {
		return nil, fmt.Errorf("%w: not a keyring", ErrDamaged)
	}
	if binary.BigEndian.Uint32(file[n:]) != crc32.Checksum(file[:n], castagnoli) {
		return nil, fmt.Errorf("%w: checksum", ErrDamaged)
	}
	if v := file[len(magic)]; v != version {
		return nil, fmt.Errorf("%w: version %d", ErrNewer, v)
	}
	d := decoder{rest: file[len(magic)+1 : n]}
	r := d.keyring()
	if d.bad || len(d.rest) != 0 {
		return nil, fmt.Errorf("%w: contents", ErrDamaged)
	}
	return r, nil
}

// decoder reads on until something is wrong; then it gives zeros.
type decoder struct {
	rest []byte
	bad  bool
}

func (d *decoder) keyring() *Keyring {
	r := &Keyring{gone: map[KeyID]struct{}{}, goneOf: map[event.Key]struct{}{}}
	for range d.count(MaxKeys) {
		f := FieldKey{}
		copy(f.Key[:], d.take(len(f.Key)))
		f.Entity = d.entity()
		if _, held := r.keys[f.Key.ID()]; d.bad || held || r.full(f.Entity) || f.check() != nil {
			d.bad = true
			return r
		}
		r.put(f.Key.ID(), f)
	}
	for range d.count(MaxForgotten) {
		var id KeyID
		copy(id[:], d.take(len(id)))
		r.gone[id] = struct{}{}
	}
	for range d.count(MaxForgotten) {
		r.goneOf[d.entity()] = struct{}{}
	}
	return r
}

// count reads a number of entries. Each takes at least two bytes, so a number
// larger than the file is refused before anything is allocated for it.
func (d *decoder) count(limit uint64) int {
	v := d.uvarint()
	if v > limit || v > uint64(len(d.rest))/2 {
		d.bad = true
		return 0
	}
	return int(v)
}

func (d *decoder) uvarint() uint64 {
	v, n := binary.Uvarint(d.rest)
	if n <= 0 {
		d.bad = true
		return 0
	}
	d.rest = d.rest[n:]
	return v
}

func (d *decoder) take(n int) []byte {
	if d.bad || n > len(d.rest) {
		d.bad = true
		return nil
	}
	out := d.rest[:n]
	d.rest = d.rest[n:]
	return out
}

func (d *decoder) entity() event.Key {
	return event.Key{Kind: d.text(), ID: d.text()}
}

func (d *decoder) text() string {
	n := d.uvarint()
	if n > maxText {
		d.bad = true
		return ""
	}
	return string(d.take(int(n)))
}
