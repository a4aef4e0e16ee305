// Package replicatest makes replicas for tests: on a disk in memory, with a key and
// randomness that follow from a seed, and without a server.
package replicatest

import (
	"bytes"
	"crypto/ed25519"
	"io"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// Alone is the link of a laptop without a server.
type Alone struct{}

var _ replica.LinkState = Alone{}

// Server, State and the others implement replica.LinkState.
func (Alone) Server() string                          { return "" }
func (Alone) State() string                           { return "no server" }
func (Alone) Up() bool                                { return false }
func (Alone) Differences() []string                   { return nil }
func (Alone) Quarantined() []string                   { return nil }
func (Alone) LastHeard() time.Time                    { return time.Time{} }
func (Alone) StateOf(*event.Record) exchange.Delivery { return exchange.SavedHere }
func (Alone) Reached(event.LogID) (sent, held int64)  { return 0, 0 }

// New opens one that works alone; it is closed when the test ends.
func New(t testing.TB, c clock.Clock, ix index.Index, seed byte, name string) *replica.Replica {
	t.Helper()
	r, err := Open(t, c, memfs.New(), ix, seed, rand.NewChaCha8([32]byte{seed}), name)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, r.Store.Close()) })
	return r
}

// Open is New on a disk of the caller's, who closes the store, with a seed of its own
// for the randomness: two of one key are two programs of one device. The error is the
// store's: a disk that fails may keep it from being opened.
func Open(t testing.TB, c clock.Clock, disk journal.FS, ix index.Index, seed byte, random io.Reader, name string) (*replica.Replica, error) {
	t.Helper()
	random = &shared{from: random} // a link draws while somebody writes
	s, err := store.Open(t.Context(), store.Options{
		Dir: "replica", FS: disk, Index: ix, Clock: c, Random: random,
		Device: ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, 32)), DeviceName: name, Version: "test",
	})
	if err != nil {
		return nil, err
	}
	keys, err := trust.OpenKeys(&vault.Vault{}, wholefile.Folder(t.TempDir()), random)
	require.NoError(t, err)
	return &replica.Replica{
		Store: s, Clock: c, Random: random, Seals: keys, Link: Alone{}, Name: name,
		Carried: make(chan struct{}, 1), Log: slog.New(slog.DiscardHandler), Kept: &trust.Kept{},
	}, nil
}

// shared is a source for several goroutines, as the system's own is.
type shared struct {
	turn sync.Mutex
	from io.Reader
}

func (s *shared) Read(p []byte) (int, error) {
	s.turn.Lock()
	defer s.turn.Unlock()
	return s.from.Read(p)
}
