package store

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// night is when the tests' clocks begin.
var night = time.Date(2026, 11, 24, 22, 0, 0, 0, time.UTC)

// chacha is a reproducible source of bytes.
func chacha(seed uint64) *rand.ChaCha8 {
	var s [32]byte
	binary.LittleEndian.PutUint64(s[:], seed)
	return rand.NewChaCha8(s)
}

func deviceKey(seed uint64) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{byte(seed)}, ed25519.SeedSize))
}

func memoryOptions(seed uint64, fs journal.FS, ix index.Index) Options {
	return Options{
		Dir: "replica", FS: fs, Index: ix, Clock: clock.NewManual(night), Random: chacha(seed),
		Device: deviceKey(seed), DeviceName: fmt.Sprintf("laptop %d", seed), Version: "test",
	}
}

func openMemory(t *testing.T, seed uint64) *Store {
	t.Helper()
	s, err := Open(t.Context(), memoryOptions(seed, memfs.New(), index.NewMemory()))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func received(bag, product, batch string) Draft {
	return Draft{Type: 30, Payload: &pb.BagsReceived{
		Bags: []string{bag}, Product: product, Batch: batch, Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "CLINIC",
	}}
}

func hold(product, batch string) Draft {
	return Draft{Type: event.TypeBatchHeld, Payload: &pb.BatchHeld{Product: product, Batch: batch, Reason: "the maker called"}}
}

func digest(t *testing.T, s *Store) string {
	t.Helper()
	out, err := digestOf(t.Context(), s)
	require.NoError(t, err)
	return out
}

func digestOf(ctx context.Context, s *Store) (string, error) {
	var out event.Hash
	err := s.View(ctx, func(v *Snapshot) (err error) {
		out, err = v.Digest()
		return err
	})
	return out.String(), err
}

// give carries everything that b lacks from a to b, as the exchange does.
func give(t *testing.T, a, b *Store) {
	t.Helper()
	require.NoError(t, carry(t.Context(), a, b))
}

func carry(ctx context.Context, a, b *Store) error {
	p := exchange.NewPusher(a.Giving(), b.Held(), a.Gives)
	for range 1000 {
		send, ok := p.Next()
		if !ok {
			return nil
		}
		run, next, err := a.ReadRun(ctx, send.Log, send.From, send.MaxBytes)
		if err != nil {
			return err
		}
		if run == nil {
			p.Unable()
			continue
		}
		results, err := b.Ingest(ctx, []*pb.Run{run})
		if err != nil {
			return err
		}
		var refused []*exchange.Refusal
		if results[0].Refused != nil {
			refused = append(refused, results[0].Refused)
		}
		p.Acked(next, []exchange.LogTip{results[0].Tip}, refused)
	}
	return errors.New("the exchange does not end")
}

func meet(t *testing.T, a, b *Store) {
	t.Helper()
	for range 4 {
		give(t, a, b)
		give(t, b, a)
	}
}

func TestTwoReplicasAgree(t *testing.T) {
	a, b := openMemory(t, 1), openMemory(t, 2)
	_, err := a.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	_, err = b.Append(t.Context(), received("BAG3", "P", "H 1"))
	require.NoError(t, err)
	meet(t, a, b)
	require.Equal(t, digest(t, a), digest(t, b))
	require.Equal(t, a.Records(), b.Records())

	err = b.View(t.Context(), func(v *Snapshot) error {
		batch, ok, err := Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: "P/H1"})
		require.True(t, ok)
		require.Len(t, batch.Stock, 3, "codes match whatever their spaces and dashes")
		return err
	})
	require.NoError(t, err)
}

func TestHoldIsHeardInTheSameWrite(t *testing.T) {
	a, b := openMemory(t, 1), openMemory(t, 2)
	_, err := a.Append(t.Context(), hold("P", "H-1"))
	require.NoError(t, err)
	before := b.Records()
	give(t, a, b)
	require.Equal(t, before+4, b.Records(), "two openings, the hold, and 'heard'")
	meet(t, a, b)
	require.NoError(t, a.View(t.Context(), func(v *Snapshot) error {
		batch, ok, err := Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: "P/H1"})
		require.True(t, ok)
		require.Len(t, batch.Heard, 1)
		return err
	}))
}

func TestReopenKeepsStateAndLogs(t *testing.T) {
	dir := t.TempDir()
	opt := memoryOptions(3, nil, nil)
	opt.FS, opt.Dir = journal.OSFS{}, filepath.Join(dir, "replica")
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for i := range 300 {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	want, logs := digest(t, s), s.OwnLogs()
	require.NoError(t, s.Close())

	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.Equal(t, want, digest(t, s))
	require.Equal(t, logs, s.OwnLogs())
	require.Equal(t, int64(302), s.Records())
	require.Empty(t, s.Repairs())
	_, err = s.Append(t.Context(), received("LAST", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.Close())
}

func TestIndexIsBuiltAgainFromTheJournal(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(4, fs, index.NewMemory()))
	require.NoError(t, err)
	for i := range 50 {
		_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	want := digest(t, s)
	require.NoError(t, s.Close())
	s, err = Open(t.Context(), memoryOptions(4, fs, index.NewMemory()))
	require.NoError(t, err)
	require.Equal(t, want, digest(t, s))
	require.NoError(t, s.Close())
}

func TestRequestMakesOneRecord(t *testing.T) {
	s := openMemory(t, 5)
	d := received("BAG1", "P", "H-1")
	d.RequestID = "click"
	recs, err := s.Append(t.Context(), d)
	require.NoError(t, err)
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) error {
		r, ok, err := v.ByRequest("click")
		require.True(t, ok)
		require.Equal(t, recs[0].Hash, r.Hash)
		return err
	}))
}

func TestFindRecordByShortHash(t *testing.T) {
	s := openMemory(t, 6)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(context.Background()))
	r, err := s.FindRecord(recs[0].Hash.Short())
	require.NoError(t, err)
	require.Equal(t, recs[0].Hash, r.Hash)
	_, err = s.FindRecord("00000000")
	require.ErrorIs(t, err, ErrNotFound)
}
