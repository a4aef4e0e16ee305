package phones

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/guess"
)

// Lifetime of a code.
const Lifetime = 10 * time.Minute

// Bounds.
const (
	maxPhones    = 16
	maxInvites   = 4
	maxStreams   = 4 // of one phone at once: its tabs
	maxName      = 60
	maxWrong     = 10              // wrong tries that may come at once
	wrongEach    = 6 * time.Second // then one in this time
	idBytes      = 4
	secretBytes  = 32
	seenOnDiskMs = int64(time.Hour / time.Millisecond) // how far 'last seen' on the disk may lag
)

// Errors of pairing.
var (
	// ErrNoSuchCode: the code is not open: wrong, used, or too old.
	ErrNoSuchCode = errors.New("this code is not open here: it was mistyped, used before, or is older than ten minutes. Make a new one at the laptop")
	// ErrTooManyTries: wrong codes came too fast.
	ErrTooManyTries = errors.New("too many wrong codes were typed; wait a minute")
	// ErrFull: the book has no room.
	ErrFull = fmt.Errorf("%d phones and browsers are paired here, and that is all there is room for; shut one out first", maxPhones)
	// ErrNoSuchPhone: no such phone is paired.
	ErrNoSuchPhone = errors.New("no such phone or browser is paired here")
)

// Phone is a paired phone. It uses the pages as one person.
type Phone struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Person   string `json:"person"`
	Hash     []byte `json:"hash"` // SHA-256 of the secret of its session
	PairedMs int64  `json:"paired_ms"`
	SeenMs   int64  `json:"seen_ms"`
	MadeBy   string `json:"made_by,omitempty"` // the person who let it in, where that was said
}

// Invite is a code that can still be used.
type Invite struct {
	Code   string
	Person string
	MadeBy string // the person who let it in, where that was said
	MadeMs int64
}

// ExpiresMs is when its time is over.
func (i Invite) ExpiresMs() int64 { return i.MadeMs + Lifetime.Milliseconds() }

// Registry is the phones of one laptop. It is safe for concurrent use.
type Registry struct {
	now    func() time.Time
	random io.Reader
	save   func([]byte) error

	mu      sync.Mutex
	phones  []Phone                  // guarded by mu, at most maxPhones
	onDisk  map[string]int64         // guarded by mu; when each was last seen, as saved
	streams map[string]chan struct{} // guarded by mu; closed when the phone is revoked
	open    map[string]int           // guarded by mu; streams of each phone
	invites []Invite                 // guarded by mu, at most maxInvites
	tries   *guess.Limit             // guarded by mu
	changed chan struct{}            // guarded by mu; closed and replaced by each change
}

// Open reads a book from what was saved; nil begins one. save keeps it durably
// and encrypted.
func Open(saved []byte, now func() time.Time, random io.Reader, save func([]byte) error) (*Registry, error) {
	b := &Registry{
		now: now, random: random, save: save, onDisk: map[string]int64{}, streams: map[string]chan struct{}{}, open: map[string]int{},
		tries: guess.New(maxWrong, wrongEach, now()), changed: make(chan struct{}),
	}
	if saved == nil {
		return b, nil
	}
	if err := json.Unmarshal(saved, &b.phones); err != nil {
		return nil, fmt.Errorf("paired phones: %w", err)
	}
	for _, p := range b.phones {
		b.enter(p)
	}
	return b, nil
}

// enter begins what is kept in memory of a phone; b.mu is held, or nobody else
// has the book yet.
func (b *Registry) enter(p Phone) {
	b.onDisk[p.ID], b.streams[p.ID] = p.SeenMs, make(chan struct{})
}

// keep makes a new list the book, once it is saved; b.mu is held.
func (b *Registry) keep(list []Phone) error {
	data, err := json.Marshal(list)
	if err == nil {
		err = b.save(data)
	}
	if err != nil {
		return err
	}
	b.phones = list
	for _, p := range list {
		b.onDisk[p.ID] = p.SeenMs
	}
	b.tell()
	return nil
}

// tell wakes who waits for a change; b.mu is held.
func (b *Registry) tell() {
	close(b.changed)
	b.changed = make(chan struct{})
}

// Changed is closed at the next change: a code, a phone more or less.
func (b *Registry) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// Invite opens a code for one phone of a person; by is who lets it in, empty where nobody
// says. The person's earlier code ends; of too many the oldest does.
func (b *Registry) Invite(person, by string) (Invite, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.phones) >= maxPhones {
		return Invite{}, ErrFull
	}
	b.dropInvites(func(i Invite) bool { return i.Person == person })
	code, err := newCode(b.random)
	if err != nil {
		return Invite{}, err
	}
	if len(b.invites) == maxInvites {
		b.invites = b.invites[1:]
	}
	i := Invite{Code: code, Person: person, MadeBy: by, MadeMs: b.now().UnixMilli()}
	b.invites = append(b.invites, i)
	b.tell()
	return i, nil
}

// Invites are the codes that can be used now.
func (b *Registry) Invites() []Invite {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dropInvites(func(Invite) bool { return false })
	return slices.Clone(b.invites)
}

// dropInvites forgets codes, and those whose time is over. One that was made
// later than now was made before the clock was set back: its time cannot be told.
// b.mu is held.
func (b *Registry) dropInvites(also func(Invite) bool) {
	now := b.now().UnixMilli()
	b.invites = slices.DeleteFunc(b.invites, func(i Invite) bool { return now < i.MadeMs || now >= i.ExpiresMs() || also(i) })
}

// Pair spends a code and begins a phone's session. cookie is what its browser
// keeps; the book does not have it.
func (b *Registry) Pair(code, name string) (p Phone, cookie string, err error) {
	if code, err = ParseCode(code); err != nil {
		return p, "", err
	}
	if name, err = nameOf(name); err != nil {
		return p, "", err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	if !b.tries.Allows(now) {
		return p, "", ErrTooManyTries
	}
	b.dropInvites(func(Invite) bool { return false })
	at := -1
	for i := range b.invites { // all of them, so that time tells nothing
		if subtle.ConstantTimeCompare([]byte(b.invites[i].Code), []byte(code)) == 1 {
			at = i
		}
	}
	if at < 0 {
		b.tries.Wrong()
		return p, "", ErrNoSuchCode
	}
	if len(b.phones) >= maxPhones {
		return p, "", ErrFull
	}
	p, secret, err := b.newPhone(name, b.invites[at], now)
	if err != nil {
		return p, "", err
	}
	b.invites = slices.Delete(b.invites, at, at+1) // spent, even if the disk is full
	if err := b.keep(append(slices.Clone(b.phones), p)); err != nil {
		return p, "", err
	}
	b.enter(p)
	return p, p.ID + "." + hex.EncodeToString(secret), nil
}

// newPhone draws an id that no phone has, and a secret; b.mu is held.
func (b *Registry) newPhone(name string, in Invite, now time.Time) (Phone, []byte, error) {
	for {
		raw := make([]byte, idBytes+secretBytes)
		if _, err := io.ReadFull(b.random, raw); err != nil {
			return Phone{}, nil, fmt.Errorf("pair: no randomness: %w", err)
		}
		id, secret := hex.EncodeToString(raw[:idBytes]), raw[idBytes:]
		if slices.ContainsFunc(b.phones, func(p Phone) bool { return p.ID == id }) {
			continue
		}
		hash := sha256.Sum256(secret)
		return Phone{ID: id, Name: name, Person: in.Person, MadeBy: in.MadeBy, Hash: hash[:], PairedMs: now.UnixMilli(), SeenMs: now.UnixMilli()}, secret, nil
	}
}

// nameOf is what a phone is called: what was typed, without what steers screens.
func nameOf(text string) (string, error) {
	text = strings.TrimSpace(text)
	if len(text) > maxName || !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return "", refusal.New("name", text, fmt.Sprintf("a name on one line, at most %d bytes", maxName))
	}
	if text == "" {
		return "phone", nil
	}
	return text, nil
}

// Know gives the phone whose cookie this is, and notes that it was seen.
func (b *Registry) Know(cookie string) (Phone, bool) {
	id, text, ok := strings.Cut(cookie, ".")
	if !ok || len(text) != hex.EncodedLen(secretBytes) {
		return Phone{}, false
	}
	secret, err := hex.DecodeString(text)
	if err != nil {
		return Phone{}, false
	}
	hash := sha256.Sum256(secret)
	b.mu.Lock()
	defer b.mu.Unlock()
	at := b.find(id)
	if at < 0 || subtle.ConstantTimeCompare(hash[:], b.phones[at].Hash) != 1 {
		return Phone{}, false
	}
	p := &b.phones[at]
	p.SeenMs = b.now().UnixMilli()
	if lag := p.SeenMs - b.onDisk[id]; lag >= seenOnDiskMs || lag < 0 {
		// A disk that is full must not shut the phone out; the time is tried again.
		b.onDisk[id] = p.SeenMs
		_ = b.keep(slices.Clone(b.phones))
	}
	return *p, true
}

// find is where a phone stands; b.mu is held.
func (b *Registry) find(id string) int {
	return slices.IndexFunc(b.phones, func(p Phone) bool { return p.ID == id })
}

// Phones are all phones, the newest last.
func (b *Registry) Phones() []Phone {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.phones)
}

// Stream begins a live stream of a phone; cut is closed when the phone is
// revoked. It is false for a phone that is not paired any more, or has too many.
func (b *Registry) Stream(id string) (cut <-chan struct{}, leave func(), ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	end, paired := b.streams[id]
	if !paired || b.open[id] >= maxStreams {
		return nil, nil, false
	}
	b.open[id]++
	return end, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.open[id]--; b.open[id] <= 0 {
			delete(b.open, id)
		}
	}, true
}

// Revoke ends a phone's session, named by its id or the first digits of it, and
// cuts its streams at once.
func (b *Registry) Revoke(id string) (p Phone, cut int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	at := -1
	for i, p := range b.phones {
		if id == "" || !strings.HasPrefix(p.ID, strings.ToLower(id)) {
			continue
		}
		if at >= 0 {
			return Phone{}, 0, refusal.New("phone", id, "more digits: "+b.phones[at].ID+" and "+p.ID+" begin so")
		}
		at = i
	}
	if at < 0 {
		return Phone{}, 0, ErrNoSuchPhone
	}
	p, cut = b.phones[at], b.open[b.phones[at].ID]
	close(b.streams[p.ID])
	delete(b.streams, p.ID)
	delete(b.onDisk, p.ID)
	// It is shut out from here on, even when the disk does not take it.
	b.phones = slices.Delete(slices.Clone(b.phones), at, at+1)
	if err := b.keep(b.phones); err != nil {
		return p, cut, fmt.Errorf("the phone is shut out until this program starts again, but this could not be saved: %w", err)
	}
	return p, cut, nil
}
