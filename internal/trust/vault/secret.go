package vault

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"thawtrail/internal/refusal"
	"thawtrail/internal/wholefile"
)

// Kinds of a vault. Append only.
const (
	kindNone       = 0
	kindPassphrase = 1
	kindKeyFile    = 2
)

// Secret is what opens a vault: a passphrase or the contents of a key file. It
// has no String that shows it.
type Secret struct {
	kind  byte
	bytes []byte
}

// String hides the secret from logs.
func (s Secret) String() string { return "secret" }

// GoString hides the secret from %#v.
func (s Secret) GoString() string { return s.String() }

// Bounds of what people type.
const (
	minPassphrase = 8 // characters
	maxPassphrase = 1024
)

// MaxSecretFile bounds a file with a passphrase or a key.
const MaxSecretFile = maxPassphrase + 2

// Passphrase is a secret that was typed, in whatever way its words were typed.
func Passphrase(text string) (Secret, error) {
	if len(text) > maxPassphrase {
		return Secret{}, refusal.New("passphrase", fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d bytes", maxPassphrase))
	}
	n := Normalise(text)
	if len([]rune(n)) < minPassphrase {
		return Secret{}, refusal.New("passphrase", "(hidden)", fmt.Sprintf("at least %d characters; five words of the list are better", minPassphrase))
	}
	return Secret{kindPassphrase, []byte(n)}, nil
}

// ReadPassphrase reads a passphrase out of a file: its first line.
func ReadPassphrase(path string) (Secret, error) {
	if err := ownersAlone("passphrase_file", path); err != nil {
		return Secret{}, err
	}
	data, err := wholefile.Read(path, MaxSecretFile)
	if err != nil {
		return Secret{}, fmt.Errorf("passphrase file: %w", err)
	}
	return Passphrase(firstLine(data))
}

// credentialsFolder is where systemd puts what it hands to one service alone. Who reads
// there is said by access lists, which show as bits of a group.
const credentialsFolder = "CREDENTIALS_DIRECTORY"

// ownersAlone refuses a secret that lies open to others. A file that cannot be looked at is
// left to whoever reads it.
func ownersAlone(field, path string) error {
	if dir := os.Getenv(credentialsFolder); dir != "" && filepath.Dir(path) == filepath.Clean(dir) {
		return nil
	}
	how, err := wholefile.OthersRead(path)
	if err != nil || how == "" {
		return nil
	}
	return refusal.New(field, path, "a file that its owner alone can read").Because(how)
}

// KeyFile is the secret in a key file: 32 random bytes on other media.
func KeyFile(raw []byte) (Secret, error) {
	if len(raw) != KeySize {
		return Secret{}, refusal.New("key_file", fmt.Sprintf("%d bytes", len(raw)), "a key file of exactly 32 bytes")
	}
	return Secret{kindKeyFile, raw}, nil
}

// ReadKeyFile reads a key file.
func ReadKeyFile(path string) (Secret, error) {
	if err := ownersAlone("key_file", path); err != nil {
		return Secret{}, err
	}
	raw, err := wholefile.Read(path, KeySize+1)
	if err != nil {
		return Secret{}, fmt.Errorf("key file: %w", err)
	}
	return KeyFile(raw)
}

// WriteKeyFile makes a key file.
func WriteKeyFile(path string, random io.Reader) (Secret, error) {
	raw := make([]byte, KeySize)
	if _, err := io.ReadFull(random, raw); err != nil {
		return Secret{}, fmt.Errorf("key file: no randomness: %w", err)
	}
	if err := wholefile.Write(path, raw); err != nil {
		return Secret{}, err
	}
	return KeyFile(raw)
}

func (s Secret) stretch(salt []byte, c Cost) []byte {
	if s.kind == kindKeyFile {
		return derive(s.bytes, salt, "thawtrail key file 1")
	}
	return c.Stretch(s.bytes, salt)
}
