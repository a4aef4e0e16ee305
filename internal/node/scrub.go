package node

import (
	"context"
	"errors"
	"fmt"
	"time"

	"thawtrail/internal/store"
)

// When the whole journal is read for damage: soon after a start, when the first
// questions have been answered, and once a day.
const (
	scrubFirst = 2 * time.Minute
	scrubEvery = 24 * time.Hour
)

// scrub reads the whole journal now and then until ctx ends, and what stands beside
// it. What cannot be read is named among the repairs, and asked of other replicas at
// the next hello.
func (n *Node) scrub(ctx context.Context) error {
	return repeat(ctx, scrubFirst, scrubEvery, n.readThrough)
}

func (n *Node) readThrough(ctx context.Context) error {
	if err := n.Store.Scrub(ctx); err != nil {
		return fmt.Errorf("read the journal for damage: %w", err)
	}
	if n.Reread == nil {
		return nil
	}
	return n.Reread(ctx)
}

// unreadEvery is how often what the disk could not read is tried again: a cable is put
// right, and a disk far away comes back.
const unreadEvery = 10 * time.Minute

// takeBack takes back what the disk could not read, once it can, until ctx ends.
func (n *Node) takeBack(ctx context.Context) error {
	return repeat(ctx, unreadEvery, unreadEvery, func(ctx context.Context) error {
		_, err := n.Store.TakeBack(ctx)
		if errors.Is(err, store.ErrStartAgain) {
			return nil // it stands among the repairs
		}
		return err
	})
}

// repeat does something after a while, and from then on in equal steps, until ctx ends
// or it fails.
func repeat(ctx context.Context, first, every time.Duration, do func(context.Context) error) error {
	for wait := first; ; wait = every {
		if !sleep(ctx, wait) {
			return nil
		}
		if err := do(ctx); err != nil {
			return err
		}
	}
}
