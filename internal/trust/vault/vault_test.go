package vault

import (
	"bytes"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
	"thawtrail/internal/wholefile"
)

// cheap is a cost for tests: the arithmetic is the same.
var cheap = Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

func phrase(t *testing.T, text string) *Secret {
	t.Helper()
	s, err := Passphrase(text)
	require.NoError(t, err)
	return &s
}

func TestVaultOpensOnlyWithItsSecret(t *testing.T) {
	dir := t.TempDir()
	_, err := Open(wholefile.Folder(dir), nil)
	require.ErrorIs(t, err, fs.ErrNotExist)
	v, err := Create(wholefile.Folder(dir), phrase(t, "abbey acorn actor adobe"), cheap, rand.Reader)
	require.NoError(t, err)
	_, err = Create(wholefile.Folder(dir), phrase(t, "another one altogether"), cheap, rand.Reader)
	require.ErrorIs(t, err, ErrExists)

	again, err := Open(wholefile.Folder(dir), phrase(t, "ABBE-ACORN  actoadob"))
	require.NoError(t, err)
	require.Equal(t, v.Key(Journal), again.Key(Journal))
	require.Equal(t, v.ID(), again.ID())
	require.Len(t, v.Key(Index), KeySize)

	_, err = Open(wholefile.Folder(dir), phrase(t, "abbey acorn actor acorn"))
	require.ErrorIs(t, err, ErrWrongSecret)
	_, err = Open(wholefile.Folder(dir), nil)
	require.ErrorIs(t, err, ErrNeedsSecret)
	key, err := KeyFile(make([]byte, KeySize))
	require.NoError(t, err)
	_, err = Open(wholefile.Folder(dir), &key)
	require.ErrorIs(t, err, ErrOtherKind)
	locked, err := Locked(wholefile.Folder(dir))
	require.NoError(t, err)
	require.True(t, locked)
}

func TestLabelsHaveDifferentKeys(t *testing.T) {
	v, err := Create(wholefile.Folder(t.TempDir()), phrase(t, "abbey acorn actor"), cheap, rand.Reader)
	require.NoError(t, err)
	seen := map[string]Label{}
	for _, l := range []Label{Journal, Index, FieldKeys, Device, Authority, ServerTLS, Invites, Practice, PINs} {
		require.NotContains(t, seen, string(v.Key(l)), l)
		seen[string(v.Key(l))] = l
	}
}

func TestChangeKeepsEveryKey(t *testing.T) {
	dir := t.TempDir()
	v, err := Create(wholefile.Folder(dir), phrase(t, "old passphrase"), cheap, rand.Reader)
	require.NoError(t, err)
	before := v.Key(Journal)
	path := filepath.Join(t.TempDir(), "stick")
	key, err := WriteKeyFile(path, rand.Reader)
	require.NoError(t, err)
	require.NoError(t, v.Change(key, cheap, rand.Reader))

	_, err = Open(wholefile.Folder(dir), phrase(t, "old passphrase"))
	require.ErrorIs(t, err, ErrOtherKind)
	read, err := ReadKeyFile(path)
	require.NoError(t, err)
	again, err := Open(wholefile.Folder(dir), &read)
	require.NoError(t, err)
	require.Equal(t, before, again.Key(Journal))
	other, err := KeyFile(bytes.Repeat([]byte{7}, KeySize))
	require.NoError(t, err)
	_, err = Open(wholefile.Folder(dir), &other)
	require.ErrorIs(t, err, ErrWrongSecret)
}

func TestAFolderBegunWithoutASecretStaysSo(t *testing.T) {
	dir := t.TempDir()
	v, err := Create(wholefile.Folder(dir), nil, cheap, rand.Reader)
	require.NoError(t, err)
	require.False(t, v.Encrypted())
	require.Nil(t, v.Key(Journal))
	_, err = Open(wholefile.Folder(dir), phrase(t, "some passphrase"))
	require.ErrorIs(t, err, ErrNotEncrypted)
	require.ErrorIs(t, v.Change(*phrase(t, "some passphrase"), cheap, rand.Reader), ErrNotEncrypted)
	locked, err := Locked(wholefile.Folder(dir))
	require.NoError(t, err)
	require.False(t, locked)
}

// TestHostileCostIsRefused: nothing of the asked memory is taken.
func TestHostileCostIsRefused(t *testing.T) {
	for _, c := range []Cost{{1, 4 << 20, 1}, {1 << 30, 64, 1}, {0, 64, 1}, {1, 64, 0}, {1, 64, 200}, {1, 1, 1}} {
		f := file{kind: kindPassphrase, cost: c}
		_, err := decode(f.encode())
		require.ErrorIs(t, err, ErrDamaged, "%+v", c)
	}
	_, err := Create(wholefile.Folder(t.TempDir()), phrase(t, "some passphrase"), Cost{1, 2 << 20, 1}, rand.Reader)
	require.ErrorIs(t, err, ErrDamaged)
}

func TestEveryFlippedByteOfTheVaultIsFound(t *testing.T) {
	dir := t.TempDir()
	_, err := Create(wholefile.Folder(dir), phrase(t, "some passphrase"), cheap, rand.Reader)
	require.NoError(t, err)
	path := filepath.Join(dir, FileName)
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 1
		require.NoError(t, os.WriteFile(path, bad, 0o600))
		_, err := Open(wholefile.Folder(dir), phrase(t, "some passphrase"))
		require.Error(t, err, "byte %d", i)
		// Also where the one who changed it mended the checksum.
		if i < atCRC {
			require.NoError(t, os.WriteFile(path, appendCRC(bad[:atCRC]), 0o600))
			_, err = Open(wholefile.Folder(dir), phrase(t, "some passphrase"))
			require.Error(t, err, "byte %d, checksum mended", i)
		}
	}
}

func TestBoxes(t *testing.T) {
	dir := t.TempDir()
	v, err := Create(wholefile.Folder(dir), phrase(t, "some passphrase"), cheap, rand.Reader)
	require.NoError(t, err)
	plain, err := Create(wholefile.Folder(t.TempDir()), nil, cheap, rand.Reader)
	require.NoError(t, err)
	const name = "device.key"
	names := wholefile.Folder(dir)
	_, err = v.ReadBox(names, name, Device)
	require.ErrorIs(t, err, fs.ErrNotExist)

	require.NoError(t, v.WriteBox(names, name, Device, []byte("the secret"), rand.Reader))
	got, err := v.ReadBox(names, name, Device)
	require.NoError(t, err)
	require.Equal(t, "the secret", string(got))
	raw, err := os.ReadFile(names.Place(name))
	require.NoError(t, err)
	require.NotContains(t, string(raw), "secret")
	_, err = v.ReadBox(names, name, Authority)
	require.ErrorIs(t, err, ErrDamaged, "a box moved to another place")
	_, err = plain.ReadBox(names, name, Device)
	require.ErrorIs(t, err, ErrDamaged)
	for i := range raw {
		bad := bytes.Clone(raw)
		bad[i] ^= 0x40
		_, err := v.OpenBox(bad, Device)
		require.Error(t, err, "byte %d", i)
		_, err = v.OpenBox(appendCRC(bad[:len(bad)-4]), Device)
		require.Equal(t, i < len(raw)-4, err != nil, "byte %d, checksum mended", i)
	}

	require.NoError(t, plain.WriteBox(names, name, Device, []byte("the secret"), rand.Reader))
	got, err = plain.ReadBox(names, name, Device)
	require.NoError(t, err)
	require.Equal(t, "the secret", string(got))
	_, err = v.ReadBox(names, name, Device)
	require.ErrorIs(t, err, ErrDamaged, "a box in clear put into an encrypted folder")
}

func TestTheListOfWords(t *testing.T) {
	require.Len(t, words, 1<<wordBits)
	require.Len(t, byFour, 1<<wordBits)
	for i, w := range words {
		require.Regexp(t, `^[a-z]{4,7}$`, w)
		if i > 0 {
			require.Less(t, words[i-1], w)
		}
		for _, o := range words[:i] {
			require.False(t, oneSlip(w, o), "%s %s", w, o)
		}
	}
}

// TestAnyWayOfTypingIsOnePhrase draws phrases and ways of typing them.
func TestAnyWayOfTypingIsOnePhrase(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		var typed, wanted []string
		full := rapid.Bool().Draw(t, "letters in full")
		for range PhraseWords {
			w := rapid.SampledFrom(words).Draw(t, "word")
			wanted = append(wanted, w)
			n := len(w)
			if !full {
				n = rapid.IntRange(fromFour, len(w)).Draw(t, "letters")
			}
			w = w[:n]
			if rapid.Bool().Draw(t, "capitals") {
				w = strings.ToUpper(w)
			}
			typed = append(typed, w)
		}
		gaps := []string{" ", "  ", "-", " - ", "\t", ". "}
		if full {
			gaps = append(gaps, "")
		}
		gap := rapid.SampledFrom(gaps).Draw(t, "gap")
		got := Normalise(strings.Join(typed, gap) + "\n")
		if got != strings.Join(wanted, " ") {
			t.Fatalf("%q became %q", typed, got)
		}
		if again := Normalise(got); again != got {
			t.Fatalf("not stable: %q, %q", got, again)
		}
	})
}

func TestOwnWordsStayAsTyped(t *testing.T) {
	for _, own := range []string{"Correct Horse, battery!", "pässwörter 12", "x y z 1 2 3 4"} {
		require.Equal(t, own, Normalise("  "+own+"\r\n"))
	}
	_, err := Passphrase("short")
	require.ErrorContains(t, err, "at least 8 characters")
	require.NotContains(t, err.Error(), "short")
	_, err = Passphrase(strings.Repeat("long ", 1000))
	require.Error(t, err)
}

func TestSlipsAreNamedBeforeTheSlowTry(t *testing.T) {
	require.Empty(t, Slips("abbey acorn actor adobe alarm"))
	require.Equal(t, []string{"word 2 is not on the list; did you mean acorn?"}, Slips("abbey aocrn actor adobe alarm"))
	require.Empty(t, Slips("quite another sort of passphrase xyz"))
}

func TestPhrasesUseEveryWord(t *testing.T) {
	var raw bytes.Buffer
	for i := range 1 << wordBits {
		require.NoError(t, binary.Write(&raw, binary.BigEndian, uint16(i+1<<wordBits*3)))
	}
	all, err := NewPhrase(1<<wordBits, &raw)
	require.NoError(t, err)
	require.Equal(t, strings.Join(words, " "), all)
}

func TestPassphraseFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	for _, text := range []string{"abbey acorn actor", "abbey acorn actor\n", "\ufeffABBEY-acorn actor\r\nsecond line"} {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		s, err := ReadPassphrase(path)
		require.NoError(t, err)
		require.Equal(t, *phrase(t, "abbey acorn actor"), s)
	}
	require.NoError(t, os.WriteFile(path, make([]byte, 1<<20), 0o600))
	_, err := ReadPassphrase(path)
	require.Error(t, err)
}

// A secret that others can read opens nothing: the refusal names the file's mode and the
// way out. What the system's service manager hands over has its mode from there.
func TestASecretThatOthersCanRead(t *testing.T) {
	if runtime.GOOS == "windows" {
		return // there an access list says who reads, and no mode
	}
	path := filepath.Join(t.TempDir(), "f")
	require.NoError(t, os.WriteFile(path, make([]byte, KeySize), 0o600))
	for _, mode := range []os.FileMode{0o644, 0o640, 0o604, 0o660} {
		require.NoError(t, os.Chmod(path, mode))
		for field, read := range map[string]func(string) (Secret, error){"passphrase_file": ReadPassphrase, "key_file": ReadKeyFile} {
			_, err := read(path)
			refused, ok := refusal.As(err)
			require.True(t, ok, "mode %o: %v", mode, err)
			require.Equal(t, field, refused.Field)
			require.ErrorContains(t, err, fmt.Sprintf("mode %04o", mode))
			require.ErrorContains(t, err, "chmod 600")
		}
	}
	t.Setenv("CREDENTIALS_DIRECTORY", filepath.Dir(path))
	require.NoError(t, os.Chmod(path, 0o440))
	_, err := ReadKeyFile(path)
	require.NoError(t, err)
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	require.NoError(t, os.Chmod(path, 0o400))
	_, err = ReadKeyFile(path)
	require.NoError(t, err)
}

func FuzzVaultFile(f *testing.F) {
	f.Add(file{kind: kindPassphrase, cost: cheap}.encode())
	f.Add(file{}.encode())
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := decode(data)
		if err == nil && !bytes.Equal(got.encode(), data) {
			t.Fatal("decoded to something else")
		}
		if got, err := decode(appendCRC(data)); err == nil && got.kind == kindPassphrase && got.cost.check() != nil {
			t.Fatal("a cost out of bounds was taken")
		}
	})
}

func FuzzBox(f *testing.F) {
	v := &Vault{key: make([]byte, KeySize)}
	f.Add(boxHead(cipherYes))
	f.Add(boxHead(cipherNo))
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := v.OpenBox(appendCRC(data), Device); err == nil {
			t.Fatal("a forged box opened")
		}
	})
}

func FuzzNormalise(f *testing.F) {
	f.Add("ABBE acorn-actor")
	f.Add("abbeacornabbey")
	f.Fuzz(func(t *testing.T, text string) {
		if n := Normalise(text); Normalise(n) != n && len(n) < 100 && strings.TrimSpace(n) == n {
			t.Fatalf("not stable: %q", n)
		}
		Slips(text)
	})
}
