package node

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/store"
)

// fold keeps the index up to date until ctx ends, so that a query rarely waits.
func (n *Node) fold(ctx context.Context) error {
	for {
		changed := n.Store.Changed()
		err := n.Store.CatchUp(ctx)
		if err == nil {
			err = n.DropForgotten(ctx)
		}
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, store.ErrClosed) {
				return nil
			}
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
		if behind := n.Store.Behind(); behind > foldFew && behind < foldMost {
			calm(ctx, n.Store.Saved, foldQuiet, foldLatest)
		}
	}
}

// While records keep coming, folding waits: taking and acknowledging them goes
// first. A query does not wait for this; it folds what it needs.
const (
	foldQuiet  = 100 * time.Millisecond // without a new record: longer than a slow sync
	foldLatest = 600 * time.Millisecond // after the first one
	foldMost   = 100_000                // records behind: then it does not wait
	foldFew    = 4                      // nor for these: somebody writes, and looks at it next
)
