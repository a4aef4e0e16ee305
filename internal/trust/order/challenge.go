package order

import (
	"crypto/ed25519"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"thawtrail/internal/trust/guess"
)

// How long a challenge can be answered, and how many a laptop gets: several at once, since
// an owner may let a whole team in, and then one more in each stretch of time.
const (
	Lifetime   = time.Minute
	atOnce     = 10
	oneEach    = 6 * time.Second
	maxLaptops = 1024
)

// ErrTooMany: a laptop orders too fast.
var ErrTooMany = errors.New("too many orders came from this laptop; wait a minute")

// Challenges are those that a server waits to see answered, one of each laptop. It is
// safe for concurrent use.
type Challenges struct {
	monotonic func() time.Duration
	random    io.Reader

	mu    sync.Mutex
	asked map[string]*asked // guarded by mu, at most maxLaptops; by device key
}

// asked is what a laptop was asked last.
type asked struct {
	challenge []byte // nil once it was looked at
	link      uint64
	until     time.Duration
	limit     *guess.Limit
}

// NewChallenges begins without any; monotonic is a clock that nobody can set.
func NewChallenges(monotonic func() time.Duration, random io.Reader) *Challenges {
	return &Challenges{monotonic: monotonic, random: random, asked: map[string]*asked{}}
}

// moment is the time of that clock, as a limit counts it.
func moment(since time.Duration) time.Time { return time.Time{}.Add(since) }

// Ask draws a challenge for a laptop on a link, in place of an earlier one.
func (c *Challenges) Ask(laptop ed25519.PublicKey, link uint64) ([]byte, error) {
	fresh := make([]byte, challengeBytes)
	if _, err := io.ReadFull(c.random, fresh); err != nil {
		return nil, fmt.Errorf("order: no randomness: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.monotonic()
	a := c.asked[string(laptop)]
	if a == nil {
		if len(c.asked) >= maxLaptops {
			clear(c.asked) // laptops that are long gone; only owners' come in here
		}
		a = &asked{limit: guess.New(atOnce, oneEach, moment(now))}
		c.asked[string(laptop)] = a
	}
	if !a.limit.Allows(moment(now)) {
		return nil, ErrTooMany
	}
	a.limit.Wrong()
	a.challenge, a.link, a.until = fresh, link, now+Lifetime
	return fresh, nil
}

// Take says that an answer is to what this laptop was asked on this link. Right or wrong,
// what was asked cannot be answered again.
func (c *Challenges) Take(laptop ed25519.PublicKey, link uint64, answer []byte) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	a := c.asked[string(laptop)]
	if a == nil || a.challenge == nil {
		return false
	}
	right := subtle.ConstantTimeCompare(a.challenge, answer) == 1 && a.link == link && c.monotonic() < a.until
	a.challenge = nil
	return right
}
