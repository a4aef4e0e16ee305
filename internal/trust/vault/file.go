package vault

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"

	"golang.org/x/crypto/chacha20poly1305"

	"thawtrail/internal/wholefile"
)

const (
	magic   = "ttvault"
	version = 1
	// maxFile bounds what is read; a vault's file is much shorter.
	maxFile = 4096
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// file is vault.key, taken apart.
type file struct {
	kind  byte
	cost  Cost
	id    [16]byte
	salt  [16]byte
	nonce [chacha20poly1305.NonceSizeX]byte
	box   [KeySize + chacha20poly1305.Overhead]byte
}

// Places in the file.
const (
	atKind  = len(magic) + 1
	atCost  = atKind + 1
	atID    = atCost + 9
	atSalt  = atID + 16
	atNonce = atSalt + 16
	atBox   = atNonce + chacha20poly1305.NonceSizeX
	atCRC   = atBox + KeySize + chacha20poly1305.Overhead
	size    = atCRC + crc32.Size
)

// head is what is authenticated beside the box.
func (f file) head() []byte {
	b := append([]byte(magic), version, f.kind)
	b = binary.BigEndian.AppendUint32(b, f.cost.Passes)
	b = binary.BigEndian.AppendUint32(b, f.cost.MemoryKiB)
	b = append(b, f.cost.Lanes)
	b = append(b, f.id[:]...)
	return append(b, f.salt[:]...)
}

func (f file) encode() []byte {
	return appendCRC(append(append(f.head(), f.nonce[:]...), f.box[:]...))
}

func appendCRC(b []byte) []byte {
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// cutCRC takes the checksum off and says whether it fits.
func cutCRC(b []byte) ([]byte, bool) {
	n := len(b) - crc32.Size
	if n < 0 || binary.BigEndian.Uint32(b[n:]) != crc32.Checksum(b[:n], castagnoli) {
		return nil, false
	}
	return b[:n], true
}

func readFile(names wholefile.Names) (file, error) {
	data, err := names.Read(FileName, maxFile)
	if err != nil {
		return file{}, fmt.Errorf("vault: %w", err)
	}
	f, err := decode(data)
	if err != nil {
		return file{}, fmt.Errorf("%s: %w", names.Place(FileName), err)
	}
	return f, nil
}

// decode reads vault.key. Errors wrap ErrDamaged or ErrNewer.
func decode(data []byte) (f file, err error) {
	if len(data) <= atKind || string(data[:len(magic)]) != magic {
		return f, fmt.Errorf("%w: not a vault", ErrDamaged)
	}
	if v := data[len(magic)]; v != version {
		return f, fmt.Errorf("%w: version %d", ErrNewer, v)
	}
	b, ok := cutCRC(data)
	if !ok || len(data) != size {
		return f, fmt.Errorf("%w: checksum", ErrDamaged)
	}
	f.kind = b[atKind]
	f.cost = Cost{binary.BigEndian.Uint32(b[atCost:]), binary.BigEndian.Uint32(b[atCost+4:]), b[atCost+8]}
	copy(f.id[:], b[atID:])
	copy(f.salt[:], b[atSalt:])
	copy(f.nonce[:], b[atNonce:])
	copy(f.box[:], b[atBox:])
	switch f.kind {
	case kindPassphrase:
		return f, f.cost.check()
	case kindNone, kindKeyFile:
		return f, nil
	}
	return f, fmt.Errorf("%w: kind %d", ErrNewer, f.kind)
}

// Boxes.
const (
	boxMagic  = "ttbox"
	cipherNo  = 0
	cipherYes = 1
	MaxBox    = 64 << 20 // bytes of a box as it lies there
)

// WriteBox writes a small secret durably under a name, readable by this vault alone.
// The label must be the box's own.
func (v *Vault) WriteBox(names wholefile.Names, name string, label Label, contents []byte, random io.Reader) error {
	if !v.Encrypted() {
		return names.Write(name, appendCRC(append(boxHead(cipherNo), contents...)))
	}
	aead, err := chacha20poly1305.NewX(v.Key(label))
	if err != nil {
		return fmt.Errorf("write %s: %w", names.Place(name), err)
	}
	nonce := make([]byte, aead.NonceSize())
	if _, err := io.ReadFull(random, nonce); err != nil {
		return fmt.Errorf("write %s: no randomness: %w", names.Place(name), err)
	}
	b := append(boxHead(cipherYes), nonce...)
	return names.Write(name, appendCRC(aead.Seal(b, nonce, contents, boxPlace(label))))
}

// ReadBox reads what WriteBox wrote. Nothing there is fs.ErrNotExist.
func (v *Vault) ReadBox(names wholefile.Names, name string, label Label) ([]byte, error) {
	data, err := names.Read(name, MaxBox)
	if err != nil {
		return nil, err
	}
	contents, err := v.OpenBox(data, label)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", names.Place(name), err)
	}
	return contents, nil
}

// OpenBox opens the bytes that WriteBox wrote.
func (v *Vault) OpenBox(data []byte, label Label) ([]byte, error) {
	head := boxHead(cipherNo)
	b, ok := cutCRC(data)
	if !ok || len(b) < len(head) || string(b[:len(boxMagic)]) != boxMagic {
		return nil, fmt.Errorf("%w: checksum", ErrDamaged)
	}
	if b[len(boxMagic)] != version {
		return nil, fmt.Errorf("%w: version %d", ErrNewer, b[len(boxMagic)])
	}
	body := b[len(head):]
	switch cipher := b[len(head)-1]; {
	case cipher == cipherNo && !v.Encrypted():
		return body, nil
	case cipher != cipherYes || !v.Encrypted() || len(body) < chacha20poly1305.NonceSizeX:
		return nil, fmt.Errorf("%w: it belongs to another folder", ErrDamaged)
	}
	aead, err := chacha20poly1305.NewX(v.Key(label))
	if err != nil {
		return nil, err
	}
	n := aead.NonceSize()
	contents, err := aead.Open(nil, body[:n], body[n:], boxPlace(label))
	if err != nil {
		return nil, fmt.Errorf("%w: changed, or of another folder", ErrDamaged)
	}
	return contents, nil
}

func boxHead(cipher byte) []byte { return append([]byte(boxMagic), version, cipher) }

func boxPlace(label Label) []byte { return append(boxHead(cipherYes), label...) }
