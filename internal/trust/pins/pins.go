// Package pins knows the people who share one laptop by a PIN each.
//
// A PIN is checked on the laptop where it was set and nowhere else: no record
// and no message holds it. What goes into a record is only that the laptop knew
// the person by a PIN, and when.
//
// A PIN never stands in the way of treating. Whoever forgot it, or typed it
// wrongly too often, goes on without: the record says 'no proof', and the owner
// sees that.
//
// # Seats
//
// A Session is one place where somebody types: the command line of the laptop, or
// one browser with all its tabs. A proof belongs to a session. It ends when nobody
// has typed there for Idle, when the session is locked, and when the program ends.
//
// A locked session hides everything but what runs. It is locked by a person, or by
// itself after Idle where more than one person has a PIN here. The right PIN opens
// it; so does going on without, which proves nothing. What is open or locked is
// kept in memory alone: after a restart every browser is locked if anybody has a
// PIN here, so that a restart opens nothing.
package pins

import (
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/vault"
)

// Bounds.
const (
	minDigits  = 4
	maxDigits  = 12
	maxPeople  = 200
	freeTries  = 5
	firstWait  = time.Minute
	longWait   = 15 * time.Minute
	saltLength = 16
)

// Errors of proving a person. After each of them the work goes on without proof.
var (
	// ErrWrong: not this person's PIN.
	ErrWrong = errors.New("this is not the PIN")
	// ErrNone: no PIN was typed, or none is set for the person on this laptop.
	ErrNone = errors.New("without a PIN")
	// ErrWait: too many wrong tries. The error itself is a Waiting.
	ErrWait = errors.New("too many wrong PINs")
)

// Waiting says for how long no PIN of a person is looked at.
type Waiting struct{ For time.Duration }

// Error tells the wait in whole minutes, rounded up.
func (w Waiting) Error() string {
	minutes := int((w.For + time.Minute - 1) / time.Minute)
	if minutes == 1 {
		return ErrWait.Error() + "; the next one is looked at in 1 minute"
	}
	return fmt.Sprintf("%s; the next one is looked at in %d minutes", ErrWait, minutes)
}

// Is makes every Waiting an ErrWait.
func (w Waiting) Is(target error) bool { return target == ErrWait }

// Cost of one try (argon2id; RFC 9106 parameters for constrained memory).
var cost = vault.Cost{Passes: 2, MemoryKiB: 19 << 10, Lanes: 1}

// verifier is what is kept of a PIN.
type verifier struct {
	Salt []byte `json:"salt"`
	Hash []byte `json:"hash"`
}

// tries counts wrong ones since the last right one.
type tries struct {
	wrong int
	until time.Time
}

// Registry is the PINs of one laptop, and who sits where. It is safe for concurrent
// use.
type Registry struct {
	now    func() time.Time
	save   func([]byte) error
	random io.Reader

	// One slow try at a time; nobody who only asks waits for it.
	trying sync.Mutex

	mu       sync.Mutex
	people   map[string]verifier   // guarded by mu; by person
	tries    map[string]tries      // guarded by mu; people with a PIN only
	sessions map[Session]*signedOn // guarded by mu
	changed  chan struct{}         // guarded by mu; closed when a session is locked or opened
}

// Open reads a book from what was saved; nil begins one. save keeps it durably
// and encrypted.
func Open(saved []byte, now func() time.Time, random io.Reader, save func([]byte) error) (*Registry, error) {
	b := &Registry{
		now: now, save: save, random: random, people: map[string]verifier{}, tries: map[string]tries{},
		sessions: map[Session]*signedOn{}, changed: make(chan struct{}),
	}
	if saved == nil {
		return b, nil
	}
	if err := json.Unmarshal(saved, &b.people); err != nil {
		return nil, fmt.Errorf("PINs: %w", err)
	}
	return b, nil
}

// Set sets a person's PIN. The caller has made sure that it may: Prove with the
// old one, or the passphrase of the laptop.
func (b *Registry) Set(person, pin string) error {
	if err := check(pin); err != nil {
		return err
	}
	v := verifier{Salt: make([]byte, saltLength)}
	if _, err := io.ReadFull(b.random, v.Salt); err != nil {
		return fmt.Errorf("set PIN: no randomness: %w", err)
	}
	v.Hash = cost.Stretch([]byte(pin), v.Salt)
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, has := b.people[person]; !has && len(b.people) >= maxPeople {
		return refusal.Conflict("person", person, fmt.Sprintf("at most %d people with a PIN on one laptop", maxPeople))
	}
	next := make(map[string]verifier, len(b.people)+1)
	for p, held := range b.people {
		next[p] = held
	}
	next[person] = v
	data, err := json.Marshal(next)
	if err == nil {
		err = b.save(data)
	}
	if err == nil {
		b.people = next
		delete(b.tries, person)
	}
	return err
}

func check(pin string) error {
	if len(pin) < minDigits || len(pin) > maxDigits || strings.ContainsFunc(pin, func(r rune) bool { return r < '0' || r > '9' }) {
		return refusal.New("pin", "(hidden)", fmt.Sprintf("%d to %d digits", minDigits, maxDigits))
	}
	return nil
}

// Has says whether a person has a PIN here.
func (b *Registry) Has(person string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	_, ok := b.people[person]
	return ok
}

// Prove checks a PIN and gives the moment of the proof. The error is ErrNone,
// ErrWait or ErrWrong.
func (b *Registry) Prove(person, pin string) (time.Time, error) {
	b.trying.Lock()
	defer b.trying.Unlock()
	v, err := b.verifier(person)
	if err != nil {
		return time.Time{}, err
	}
	if pin == "" {
		return time.Time{}, ErrNone
	}
	right := subtle.ConstantTimeCompare(cost.Stretch([]byte(pin), v.Salt), v.Hash) == 1
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.wall()
	if right {
		delete(b.tries, person)
		return now, nil
	}
	t := b.tries[person]
	t.wrong++
	t.until = now.Add(waitAfter(t.wrong))
	b.tries[person] = t
	return time.Time{}, ErrWrong
}

// verifier is what a try is compared with, unless the person has to wait.
func (b *Registry) verifier(person string) (verifier, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	v, ok := b.people[person]
	if !ok {
		return v, ErrNone
	}
	if t := b.tries[person]; t.wrong >= freeTries {
		// A clock that was set back must not lock for longer than the longest wait.
		if wait := t.until.Sub(b.wall()); wait > 0 && wait <= longWait {
			return v, Waiting{For: wait}
		}
	}
	return v, nil
}

func waitAfter(wrong int) time.Duration {
	wait := firstWait
	for range max(0, wrong-freeTries) {
		wait = min(2*wait, longWait)
	}
	return wait
}
