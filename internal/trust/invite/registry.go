package invite

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"thawtrail/internal/trust/guess"
	pb "thawtrail/proto/thawtrail/v1"
)

// Lifetime of a code when nothing else is said.
const Lifetime = 24 * time.Hour

// Bounds of the server's memory and of what a guesser may try.
const (
	maxOpen   = 64
	maxWrong  = 10              // wrong tries that may come at once
	wrongEach = 6 * time.Second // then one in this time
	longest   = 14 * 24 * time.Hour
)

// Errors of the book.
var (
	// ErrNoSuchCode: the code is not known here, or its time is over.
	ErrNoSuchCode = errors.New("this code is not known here, or its time is over; ask for a new one")
	// ErrUsed: another laptop has joined with the code.
	ErrUsed = errors.New("this code has been used by another laptop; if that was not yours, shut it out with `thawtrail server revoke`")
	// ErrTooManyTries: wrong codes came too fast.
	ErrTooManyTries = errors.New("too many wrong codes were tried on this server; wait a minute")
	// ErrFull: too many codes are open.
	ErrFull = errors.New("too many one-time codes are open; wait until some are used or run out")
)

// Invite is one open code, as the server keeps it: never the code itself.
type Invite struct {
	Key       []byte    `json:"key"`
	Person    string    `json:"person"`
	Name      string    `json:"name"` // of the person
	New       bool      `json:"new"`  // the person is not in the books yet
	Roles     []pb.Role `json:"roles"`
	By        string    `json:"by"`
	ExpiresMs int64     `json:"expires_ms"`
	Used      []byte    `json:"used,omitempty"` // the device key that used it
	// Of a code that an owner ordered from afar: the laptop where, and when the owner was
	// proven there by PIN.
	OrderedAt []byte `json:"ordered_at,omitempty"`
	ProvenUs  int64  `json:"proven_us,omitempty"`
}

// Ordered is how the laptop that ordered the code knew the owner; nil: it was made at
// the server.
func (i *Invite) Ordered() *pb.AuthorProof {
	switch {
	case i.OrderedAt == nil:
		return nil
	case i.ProvenUs != 0:
		return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: i.ProvenUs, OrderedAt: i.OrderedAt}
	}
	return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE, OrderedAt: i.OrderedAt}
}

// Registry is the open codes of a server. It is safe for concurrent use.
type Registry struct {
	now  func() time.Time
	save func([]byte) error

	mu    sync.Mutex
	open  []Invite // guarded by mu, at most maxOpen
	tries *guess.Limit
}

// NewBook reads a book from what was saved; nil begins one. save keeps it
// durably and encrypted.
func NewBook(saved []byte, now func() time.Time, save func([]byte) error) (*Registry, error) {
	b := &Registry{now: now, save: save, tries: guess.New(maxWrong, wrongEach, now())}
	if saved == nil {
		return b, nil
	}
	if err := json.Unmarshal(saved, &b.open); err != nil {
		return nil, fmt.Errorf("open one-time codes: %w", err)
	}
	return b, nil
}

// Add opens a code for at most two weeks.
func (b *Registry) Add(i Invite, life time.Duration) (expires time.Time, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dropOld()
	if len(b.open) >= maxOpen {
		return expires, ErrFull
	}
	expires = b.now().Add(min(life, longest))
	i.ExpiresMs = expires.UnixMilli()
	return expires, b.keep(append(slices.Clone(b.open), i))
}

// keep makes a new list the book, once it is saved; b.mu is held.
func (b *Registry) keep(list []Invite) error {
	data, err := json.Marshal(list)
	if err == nil {
		err = b.save(data)
	}
	if err == nil {
		b.open = list
	}
	return err
}

// dropOld forgets codes whose time is over; b.mu is held.
func (b *Registry) dropOld() {
	now := b.now().UnixMilli()
	b.open = slices.DeleteFunc(slices.Clone(b.open), func(i Invite) bool { return i.ExpiresMs <= now })
}

// Use finds the code that a request was made with and marks it used by the
// request's device, durably, before it returns.
func (b *Registry) Use(req *pb.EnrolRequest, device ed25519.PublicKey) (Invite, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dropOld()
	if !b.tries.Allows(b.now()) {
		return Invite{}, ErrTooManyTries
	}
	at := -1
	for i := range b.open { // all of them, so that time tells nothing
		if knows(b.open[i].Key, req) {
			at = i
		}
	}
	if at < 0 {
		b.tries.Wrong()
		return Invite{}, ErrNoSuchCode
	}
	switch found := b.open[at]; {
	case bytes.Equal(found.Used, device):
		return found, nil // the answer was lost; here it is again
	case found.Used != nil:
		return Invite{}, ErrUsed
	}
	list := slices.Clone(b.open)
	list[at].Used = device
	return list[at], b.keep(list)
}

// Open counts the codes that can still be used.
func (b *Registry) Open() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dropOld()
	n := 0
	for _, i := range b.open {
		if i.Used == nil {
			n++
		}
	}
	return n
}
