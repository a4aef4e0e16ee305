package node

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/store"
)

// When the index writes down what it gathered.
const (
	settleQuiet  = 500 * time.Millisecond // without a change
	settleLatest = 30 * time.Second       // after the first one
	settleAgain  = time.Second            // when it could not be finished
)

// settle lets the index write down what it gathered in memory while the replica was
// far behind, whenever the replica has come to rest, until ctx ends.
func (n *Node) settle(ctx context.Context) error {
	for {
		changed := n.Store.Changed()
		settled, err := n.Store.Settle(ctx)
		switch {
		case ctx.Err() != nil || errors.Is(err, store.ErrClosed):
			return nil
		case err != nil:
			return err
		case !settled:
			sleep(ctx, settleAgain)
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
			calm(ctx, n.Store.Changed, settleQuiet, settleLatest)
		}
	}
}

// calm waits until there is no news for a while, at most until latest.
func calm(ctx context.Context, news func() <-chan struct{}, quiet, latest time.Duration) {
	end := time.NewTimer(latest)
	defer end.Stop()
	still := time.NewTimer(quiet)
	defer still.Stop()
	for {
		next := news()
		select {
		case <-ctx.Done():
			return
		case <-end.C:
			return
		case <-still.C:
			return
		case <-next:
			still.Reset(quiet)
		}
	}
}
