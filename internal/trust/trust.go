// Package trust opens what a data folder keeps secret and binds the parts below
// it together:
//
//	vault      one secret, one data key, all other keys
//	authority  the practice's root of trust, TLS links, who may call what
//	invite     one-time codes by which laptops join
//	order      what an owner's laptop orders of the server
//	local      the way to a daemon for commands of its own user
//	pins       people who share a laptop
//	phones     phones that use a laptop's pages
//	guess      how often a one-time code may be tried
//
// A Home is a data folder opened with its secret.
package trust

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"path"
	"sync"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// Files of a data folder beside journal and index.
const (
	deviceFile   = "device.key"
	fieldsFile   = "fields.key"
	practiceFile = "practice.box"
	pinsFile     = "pins.box"
)

// Home is a data folder, opened: its vault, this device's key, the keys of sealed
// fields, and the practice that it joined.
type Home struct {
	Place
	Vault  *vault.Vault
	Device ed25519.PrivateKey
	Seals  *Keys
	Joined *Joined // nil: no practice yet, or a practice of one

	random   io.Reader
	contents contents
	mended   []string // what was put right when the folder was opened

	keeping      sync.Mutex  // guards the two fields below once the folder is open
	charter      *pb.Charter // of the second place
	charterWhole bool        // it could be read, or was written
	opening      sync.Mutex  // one passphrase is tried at a time: each takes much memory
}

// Joined is the practice that a replica belongs to, as its server or by
// enrolment.
type Joined struct {
	Practice     string `json:"practice"`
	PracticeName string `json:"practice_name"`
	Founding     []byte `json:"founding"`  // hash of the founding record
	Authority    []byte `json:"authority"` // certificate, DER
	Server       string `json:"server,omitempty"`
	Person       string `json:"person,omitempty"`      // for whom the laptop joined
	DeviceName   string `json:"device_name,omitempty"` // by which it joined
	Rehearsal    bool   `json:"rehearsal,omitempty"`   // nothing in it is real, and all that is shown of it says so
}

// Open opens a data folder, or begins one on first start. Then the secret decides
// for good whether it is encrypted: nil begins one that is not.
func Open(dir string, secret *vault.Secret, random io.Reader) (*Home, error) {
	return OpenIn(InFolder(dir), secret, vault.DefaultCost, random)
}

// OpenIn is Open for any place, with the cost of a new passphrase.
func OpenIn(place Place, secret *vault.Secret, cost vault.Cost, random io.Reader) (*Home, error) {
	lock, err := lockNew(place)
	if err != nil {
		return nil, err
	}
	defer lock.Close() // its program takes it again, with all that was begun here
	v, err := openVault(place, secret)
	if errors.Is(err, fs.ErrNotExist) {
		v, err = vault.Create(place.Names, secret, cost, random)
	}
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", place.Dir, err)
	}
	if err := place.noteElsewhere(); err != nil {
		return nil, err
	}
	h := &Home{Place: place, Vault: v, random: random}
	if err := h.readContents(); err != nil {
		return nil, err
	}
	h.readCharter()
	mended, err := h.putBack()
	if h.mended = append(h.mended, mended...); err != nil {
		return nil, err
	}
	if h.Device, err = h.Key(deviceFile, vault.Device); err != nil {
		return nil, err
	}
	if h.Seals, err = h.openKeys(); err != nil {
		return nil, err
	}
	return h, h.readJoined()
}

// lockNew makes a folder and locks it while its first files are written, so that of
// two programs begun at once in it one alone draws its keys. A folder that has its
// keys is not locked.
func lockNew(place Place) (io.Closer, error) {
	if wholefile.There(place.Names, deviceFile) {
		return io.NopCloser(nil), nil
	}
	if err := wholefile.MakeFolder(place.Dir); err != nil {
		return nil, fmt.Errorf("begin %s: %w", place.Dir, err)
	}
	return store.LockFolder(place.Dir)
}

// openVault opens the vault of a place. fs.ErrNotExist stands for one in which nothing
// was begun; one that lost its vault is refused.
func openVault(place Place, secret *vault.Secret) (*vault.Vault, error) {
	v, err := vault.Open(place.Names, secret)
	if errors.Is(err, fs.ErrNotExist) && place.Begun() {
		return nil, missing(place, vault.FileName)
	}
	return v, err
}

func (h *Home) openKeys() (*Keys, error) {
	k, err := OpenKeys(h.Vault, h.Names, h.random)
	if err == nil && !k.onDisk {
		err = h.absent(fieldsFile)
	}
	if err != nil {
		return nil, err
	}
	k.wrote = func() { h.wrote(fieldsFile) }
	return k, nil
}

// Key reads an Ed25519 key out of a box, or draws one on first use.
func (h *Home) Key(name string, label vault.Label) (ed25519.PrivateKey, error) {
	seed, err := h.Vault.ReadBox(h.Names, name, label)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return h.draw(name, label)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", label, err)
	case len(seed) != ed25519.SeedSize:
		return nil, fmt.Errorf("%s: %w", label, vault.ErrDamaged)
	}
	return ed25519.NewKeyFromSeed(seed), nil
}

// draw makes a key that was never here.
func (h *Home) draw(name string, label vault.Label) (ed25519.PrivateKey, error) {
	if err := h.absent(name); err != nil {
		return nil, err
	}
	key, err := authority.NewKey(h.random)
	if err != nil {
		return nil, err
	}
	return key, h.write(name, label, key.Seed())
}

// write writes a small secret file, which must be there from then on.
func (h *Home) write(name string, label vault.Label, contents []byte) error {
	if err := h.Vault.WriteBox(h.Names, name, label, contents, h.random); err != nil {
		return err
	}
	h.wrote(name)
	return nil
}

// KeepKey keeps a key that was made elsewhere in a box that holds no other one.
func (h *Home) KeepKey(name string, label vault.Label, key ed25519.PrivateKey) error {
	seed, err := h.Vault.ReadBox(h.Names, name, label)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return h.write(name, label, key.Seed())
	case err != nil:
		return fmt.Errorf("%s: %w", label, err)
	case !bytes.Equal(seed, key.Seed()):
		return refusal.Conflict("data", h.Dir, "an empty folder").Because("it holds another " + string(label))
	}
	return nil
}

// Box reads a small secret file and gives the function that replaces it; nil
// contents when there is none yet.
func (h *Home) Box(name string, label vault.Label) (contents []byte, save func([]byte) error, err error) {
	save = func(data []byte) error { return h.write(name, label, data) }
	contents, err = h.Vault.ReadBox(h.Names, name, label)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, save, h.absent(name)
	}
	return contents, save, err
}

func (h *Home) readJoined() error {
	data, _, err := h.Box(practiceFile, vault.Practice)
	if err != nil || data == nil {
		return err
	}
	j := &Joined{}
	if err := json.Unmarshal(data, j); err != nil {
		return fmt.Errorf("%s: %w", practiceFile, err)
	}
	if _, err := j.Root(); err != nil {
		return fmt.Errorf("%s: %w", practiceFile, err)
	}
	h.Joined = j
	return nil
}

// Join keeps, durably, which practice this replica belongs to.
func (h *Home) Join(j Joined) error {
	if _, err := j.Root(); err != nil {
		return err
	}
	data, err := json.Marshal(j)
	if err != nil {
		return err
	}
	_, save, err := h.Box(practiceFile, vault.Practice)
	if err == nil {
		err = save(data)
	}
	if err == nil {
		h.Joined = &j
	}
	return err
}

// Root is the certificate of the practice's authority, which is pinned.
func (j *Joined) Root() (*x509.Certificate, error) {
	root, _, err := authority.ParseCertificate(j.Authority)
	return root, err
}

// Opens says whether a passphrase opens this folder.
func (h *Home) Opens(passphrase string) bool {
	h.opening.Lock()
	defer h.opening.Unlock()
	s, err := vault.Passphrase(passphrase)
	if err != nil {
		return false
	}
	_, err = vault.Open(h.Names, &s)
	return err == nil
}

// asideFolder is where runs that did not verify are kept for a person.
const asideFolder = "aside"

// Aside keeps what came and did not verify, for a person, closed as all else here is.
type Aside struct{ home *Home }

// Aside is the place for what did not verify.
func (h *Home) Aside() Aside { return Aside{h} }

// Write keeps contents under a name.
func (a Aside) Write(name string, contents []byte) error {
	return a.home.Vault.WriteBox(a.home.Names, path.Join(asideFolder, name), vault.Aside, contents, a.home.random)
}

// List gives the names of what is kept, in order.
func (a Aside) List() ([]string, error) {
	names, err := a.home.Names.List(asideFolder)
	for i, name := range names {
		names[i] = path.Base(name)
	}
	return names, err
}

// Remove takes one away.
func (a Aside) Remove(name string) error { return a.home.Names.Remove(path.Join(asideFolder, name)) }

// pagesFile holds the secret behind the pages' cookies.
const pagesFile = "pages.box"

// PagesSecret is the secret behind the cookies of this machine's pages. old is one
// from before it had a file of its own; nil: none. A secret that cannot be written
// down on a full disk holds for this run.
func (h *Home) PagesSecret(old []byte) ([]byte, error) {
	secret, save, err := h.Box(pagesFile, vault.Pages)
	if err != nil || len(secret) == sha256.Size {
		return secret, err
	}
	if secret = old; len(secret) != sha256.Size {
		secret = make([]byte, sha256.Size)
		if _, err := io.ReadFull(h.random, secret); err != nil {
			return nil, fmt.Errorf("secret of the pages: no randomness: %w", err)
		}
	}
	_ = save(secret)
	return secret, nil
}

// PINs reads the book of the people who share this machine.
func (h *Home) PINs(now func() time.Time) (*pins.Registry, error) {
	saved, save, err := h.Box(pinsFile, vault.PINs)
	if err != nil {
		return nil, err
	}
	return pins.Open(saved, now, h.random, save)
}

// Founding is the record that founded the practice; zero when none was joined.
func (h *Home) Founding() event.Hash {
	if h.Joined == nil {
		return event.Hash{}
	}
	founding, _ := event.ToHash(h.Joined.Founding)
	return founding
}

// Store completes the options of the replica in this folder.
func (h *Home) Store(opt store.Options) store.Options {
	opt.Dir, opt.Truth, opt.Device, opt.Founding = h.Dir, h.Truth, h.Device, h.Founding()
	opt.Charter, _ = h.Charter()
	opt.Key, opt.KeyID, opt.IndexKey = h.Vault.Key(vault.Journal), h.Vault.ID(), h.Vault.Key(vault.Index)
	return opt
}

// Loopback refuses what is not an address of this machine only. The refusal names the
// setting, by its flag, from which the address is.
func Loopback(setting, addr string) error {
	host, err := hostOf(setting, addr, "127.0.0.1:4270")
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return refusal.New(setting, addr, "an address of this machine only, such as 127.0.0.1:4270").
			Because("what answers without a key of an admitted laptop never listens to other machines")
	}
	return nil
}

// hostOf is the host of an address whose port can be one.
func hostOf(setting, addr, example string) (string, error) {
	host, port, err := net.SplitHostPort(addr)
	if err == nil {
		_, err = net.LookupPort("tcp", port)
	}
	if err != nil {
		return "", refusal.New(setting, addr, "an address such as "+example)
	}
	return host, nil
}

// Listen opens a loopback address and refuses any other.
func Listen(setting, addr string) (net.Listener, error) {
	if err := Loopback(setting, addr); err != nil {
		return nil, err
	}
	return listen(setting, addr)
}

// ListenAny opens any address: for what asks each caller for a key or a session.
func ListenAny(setting, addr string) (net.Listener, error) {
	if _, err := hostOf(setting, addr, "0.0.0.0:4270"); err != nil {
		return nil, err
	}
	return listen(setting, addr)
}

func listen(setting, addr string) (net.Listener, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen on %s (--%s): %w", addr, setting, err)
	}
	return l, nil
}
