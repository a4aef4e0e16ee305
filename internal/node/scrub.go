package node

import (
	"context"
	"fmt"
	"time"
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
	return scrubDaily(ctx, n.readThrough)
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

func scrubDaily(ctx context.Context, read func(context.Context) error) error {
	for wait := scrubFirst; ; wait = scrubEvery {
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
			if err := read(ctx); err != nil {
				return err
			}
		}
	}
}
