package node

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/store"
)

// When the whole journal is read for damage: soon after a start, when the first
// questions have been answered, and once a day.
const (
	scrubFirst = 2 * time.Minute
	scrubEvery = 24 * time.Hour
)

// scrub reads the whole journal now and then until ctx ends. What cannot be read
// is named among the repairs, and asked of other replicas at the next hello.
func (n *Node) scrub(ctx context.Context) error {
	return scrubDaily(ctx, func() {
		// A failure to read is told and tried again next day; it must not end the
		// program that takes tonight's records.
		if err := n.Store.Scrub(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, store.ErrClosed) {
			n.Log.Error("read the journal for damage", "error", err)
		}
	})
}

func scrubDaily(ctx context.Context, read func()) error {
	for wait := scrubFirst; ; wait = scrubEvery {
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
			read()
		}
	}
}
