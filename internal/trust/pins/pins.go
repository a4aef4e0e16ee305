// Package pins knows the people who share one laptop by a PIN each.
//
// A PIN is checked on the laptop where it was set and nowhere else: no record
// and no message holds it. What goes into a record is only that the laptop knew
// the person by a PIN, and when.
//
// A PIN never stands in the way of treating. Whoever forgot it, or typed it
// wrongly too often, goes on without: the record says 'no proof', and the owner
// sees that.
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
	// ErrWait: too many wrong tries.
	ErrWait = errors.New("too many wrong PINs; it is not looked at for a while")
)

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

// Book is the PINs of one laptop, and who types now. It is safe for concurrent
// use.
type Book struct {
	now    func() time.Time
	save   func([]byte) error
	random io.Reader

	mu      sync.Mutex
	people  map[string]verifier // guarded by mu; by person
	tries   map[string]tries    // guarded by mu; people with a PIN only
	current string              // guarded by mu
	proven  time.Time           // guarded by mu; zero: without proof
}

// Open reads a book from what was saved; nil begins one. save keeps it durably
// and encrypted.
func Open(saved []byte, now func() time.Time, random io.Reader, save func([]byte) error) (*Book, error) {
	b := &Book{now: now, save: save, random: random, people: map[string]verifier{}, tries: map[string]tries{}}
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
func (b *Book) Set(person, pin string) error {
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
func (b *Book) Has(person string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	_, ok := b.people[person]
	return ok
}

// Prove checks a PIN and gives the moment of the proof. The error is ErrNone,
// ErrWait or ErrWrong.
func (b *Book) Prove(person, pin string) (time.Time, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	v, ok := b.people[person]
	if !ok {
		return time.Time{}, ErrNone
	}
	now := b.now()
	t := b.tries[person]
	if t.wrong >= freeTries {
		// A clock that was set back must not lock for longer than the longest wait.
		if wait := t.until.Sub(now); wait > 0 && wait <= longWait {
			return time.Time{}, ErrWait
		}
	}
	if subtle.ConstantTimeCompare(cost.Stretch([]byte(pin), v.Salt), v.Hash) != 1 {
		t.wrong++
		t.until = now.Add(waitAfter(t.wrong))
		b.tries[person] = t
		return time.Time{}, ErrWrong
	}
	delete(b.tries, person)
	return now, nil
}

func waitAfter(wrong int) time.Duration {
	wait := firstWait
	for range max(0, wrong-freeTries) {
		wait = min(2*wait, longWait)
	}
	return wait
}

// Switch says who types from now on. With the right PIN this is proven; else the
// person is switched to without proof, and the error says why.
func (b *Book) Switch(person, pin string) error {
	var proven time.Time
	err := ErrNone
	if pin != "" {
		proven, err = b.Prove(person, pin)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.current, b.proven = person, proven
	return err
}

// Current is who types now, and when that was proven; zero for never.
func (b *Book) Current() (person string, proven time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.current, b.proven
}
