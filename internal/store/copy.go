package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"

	"thawtrail/internal/store/journal"
)

// ErrHoles: something in a truth cannot be read, so that it cannot be copied whole.
var ErrHoles = errors.New("some records cannot be read")

// What Copy commits at once.
const (
	copyBytes  = 2 << 20
	copyFrames = 4096
)

// Copy puts every frame of a truth, in its order, into an empty one, reads that back, and
// says how many there are and what they add up to: SHA-256 over the SHA-256 of each. Nobody
// else may write to either.
func Copy(ctx context.Context, from, to Truth) (n int64, sum [sha256.Size]byte, err error) {
	var batch [][]byte
	size := 0
	commit := func() error {
		_, err := to.Commit(batch)
		batch, size = batch[:0], 0
		return errors.Join(err, ctx.Err())
	}
	n, sum, err = addUp(from, func(frame []byte) error {
		batch, size = append(batch, bytes.Clone(frame)), size+len(frame)
		if size < copyBytes && len(batch) < copyFrames {
			return nil
		}
		return commit()
	})
	if err == nil {
		err = commit()
	}
	if err != nil {
		return n, sum, err
	}
	again, back, err := addUp(to, func([]byte) error { return ctx.Err() })
	if err == nil && (again != n || back != sum) {
		err = fmt.Errorf("what was copied was read back and is not the same: %d of %d records", again, n)
	}
	return n, sum, err
}

// addUp hands on every frame and adds them up.
func addUp(truth Truth, fn func(frame []byte) error) (n int64, sum [sha256.Size]byte, err error) {
	all := sha256.New()
	err = truth.Scan(journal.Position{}, func(_ journal.Position, frame []byte) error {
		n++
		own := sha256.Sum256(frame)
		all.Write(own[:])
		return fn(frame)
	}, func(from, to journal.Position, reason string) error {
		return fmt.Errorf("%w: %s to %s: %s", ErrHoles, from, to, reason)
	})
	return n, [sha256.Size]byte(all.Sum(nil)), err
}
