package vault

import (
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/chacha20poly1305"

	"thawtrail/internal/wholefile"
)

// Label names what a derived key is for.
type Label string

// Labels. A key never serves two of them.
const (
	Journal   Label = "journal"
	Index     Label = "index"
	FieldKeys Label = "field keys"
	Device    Label = "device key"
	Authority Label = "authority key"
	ServerTLS Label = "server tls key"
	Invites   Label = "invites"
	Practice  Label = "practice"
	PINs      Label = "pins"
	Phones    Label = "phones"
	PhoneTLS  Label = "phone tls key"
	Contents  Label = "contents"
	Pages     Label = "pages"
	Link      Label = "link"
	Aside     Label = "aside"
	Charter   Label = "charter"
	Kept      Label = "kept"
)

// FileName is the vault's file in a data folder.
const FileName = "vault.key"

// KeySize is the size of every key, in bytes.
const KeySize = 32

// Errors of opening a vault.
var (
	// ErrWrongSecret: the passphrase or key file is not the one that was set.
	ErrWrongSecret = errors.New("this passphrase or key file does not open this folder")
	// ErrNeedsSecret: the folder is encrypted and no secret was given.
	ErrNeedsSecret = errors.New("this folder is encrypted: a passphrase or key file is needed")
	// ErrOtherKind: a passphrase was given for a key file's vault, or the reverse.
	ErrOtherKind = errors.New("this folder opens with the other kind of secret")
	// ErrNotEncrypted: a secret was given for a folder begun without one.
	ErrNotEncrypted = errors.New("this folder was begun without a passphrase and stays so; begin a new one to encrypt")
	// ErrDamaged: the file is not whole, or not ours.
	ErrDamaged = errors.New("file is damaged")
	// ErrNewer: the file is of a newer version than this program knows.
	ErrNewer = errors.New("a newer version of this program wrote this: start that version again, or use the copy of the folder made before it came")
	// ErrExists: there is a vault already.
	ErrExists = errors.New("there is a vault already")
)

// Vault is an open vault; see Create and Open. The zero value encrypts nothing.
type Vault struct {
	names wholefile.Names
	id    [16]byte
	key   []byte // nil: not encrypted
}

// Create begins the vault of a replica among its small files. A nil secret begins one
// that does not encrypt.
func Create(names wholefile.Names, secret *Secret, cost Cost, random io.Reader) (*Vault, error) {
	v := &Vault{names: names}
	if _, err := names.Read(FileName, maxFile); !errors.Is(err, fs.ErrNotExist) {
		return nil, errors.Join(fmt.Errorf("%s: %w", names.Place(FileName), ErrExists), err)
	}
	if secret == nil {
		return v, names.Write(FileName, file{kind: kindNone}.encode())
	}
	v.key = make([]byte, KeySize)
	for _, b := range [][]byte{v.key, v.id[:]} {
		if _, err := io.ReadFull(random, b); err != nil {
			return nil, fmt.Errorf("vault: no randomness: %w", err)
		}
	}
	return v, v.wrap(*secret, cost, random)
}

// Open opens the vault of a replica. Where there is none it gives fs.ErrNotExist. A nil secret opens a vault that does not encrypt.
func Open(names wholefile.Names, secret *Secret) (*Vault, error) {
	v := &Vault{names: names}
	f, err := readFile(names)
	if err != nil {
		return nil, err
	}
	switch {
	case f.kind == kindNone && secret == nil:
		return v, nil
	case f.kind == kindNone:
		return nil, ErrNotEncrypted
	case secret == nil:
		return nil, ErrNeedsSecret
	case secret.kind != f.kind:
		return nil, ErrOtherKind
	}
	aead, err := chacha20poly1305.NewX(secret.stretch(f.salt[:], f.cost))
	if err != nil {
		return nil, fmt.Errorf("vault: %w", err)
	}
	if v.key, err = aead.Open(nil, f.nonce[:], f.box[:], f.head()); err != nil {
		return nil, ErrWrongSecret
	}
	v.id = f.id
	return v, nil
}

// Locked says whether a replica's vault needs a secret. Where there is no vault it gives
// fs.ErrNotExist.
func Locked(names wholefile.Names) (bool, error) {
	f, err := readFile(names)
	return f.kind != kindNone, err
}

// Change sets another secret. Only the small file is written again.
func (v *Vault) Change(secret Secret, cost Cost, random io.Reader) error {
	if v.key == nil {
		return ErrNotEncrypted
	}
	return v.wrap(secret, cost, random)
}

func (v *Vault) wrap(secret Secret, cost Cost, random io.Reader) error {
	if err := cost.check(); err != nil {
		return err
	}
	f := file{kind: secret.kind, id: v.id}
	if f.kind == kindPassphrase {
		f.cost = cost
	}
	for _, b := range [][]byte{f.salt[:], f.nonce[:]} {
		if _, err := io.ReadFull(random, b); err != nil {
			return fmt.Errorf("vault: no randomness: %w", err)
		}
	}
	aead, err := chacha20poly1305.NewX(secret.stretch(f.salt[:], f.cost))
	if err != nil {
		return fmt.Errorf("vault: %w", err)
	}
	copy(f.box[:], aead.Seal(nil, f.nonce[:], v.key, f.head()))
	return v.names.Write(FileName, f.encode())
}

// Encrypted says whether what this vault guards is encrypted at all.
func (v *Vault) Encrypted() bool { return v.key != nil }

// ID names the data key, in the clear, in 16 characters; empty when nothing is
// encrypted.
func (v *Vault) ID() string {
	if v.key == nil {
		return ""
	}
	return hex.EncodeToString(v.id[:8])
}

// Key is the key of one label; nil when nothing is encrypted.
func (v *Vault) Key(label Label) []byte {
	if v.key == nil {
		return nil
	}
	return derive(v.key, nil, "thawtrail vault 1 "+string(label))
}

// derive is HKDF-SHA-256 (RFC 5869). It cannot fail for one key's length.
func derive(secret, salt []byte, info string) []byte {
	key, err := hkdf.Key(sha256.New, secret, salt, info, KeySize)
	if err != nil {
		panic("vault: " + err.Error())
	}
	return key
}

// Cost is what one try of a passphrase costs (argon2id, RFC 9106).
type Cost struct {
	Passes    uint32
	MemoryKiB uint32
	Lanes     uint8
}

// DefaultCost is the second recommended choice of RFC 9106 section 4: three
// passes over 64 MiB in four lanes. A laptop needs about a tenth of a second.
var DefaultCost = Cost{Passes: 3, MemoryKiB: 64 << 10, Lanes: 4}

// Bounds of the cost. A file that asks for more is hostile or damaged, and is
// refused before any memory is taken.
const (
	maxPasses    = 16
	minMemoryKiB = 64
	maxMemoryKiB = 1 << 20
	maxLanes     = 16
)

func (c Cost) check() error {
	if c.Passes < 1 || c.Passes > maxPasses || c.MemoryKiB < minMemoryKiB || c.MemoryKiB > maxMemoryKiB || c.Lanes < 1 || c.Lanes > maxLanes {
		return fmt.Errorf("%w: %d passes over %d KiB in %d lanes; expected at most %d, %d and %d",
			ErrDamaged, c.Passes, c.MemoryKiB, c.Lanes, maxPasses, maxMemoryKiB, maxLanes)
	}
	return nil
}

// Stretch makes a key out of a secret that a person can type.
func (c Cost) Stretch(secret, salt []byte) []byte {
	return argon2.IDKey(secret, salt, c.Passes, c.MemoryKiB, c.Lanes, KeySize)
}
