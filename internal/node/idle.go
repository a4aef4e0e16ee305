package node

import (
	"context"
	"runtime/debug"
	"time"
)

// idleAfter is how long nothing must have been saved before memory is given back.
const idleAfter = 20 * time.Second

// idle gives memory back to the system whenever the replica has come to rest,
// until ctx ends. Opening the index and folding many records leave far more behind
// than they keep, and where nothing is asked for more, nothing else would clear it
// away for minutes: a laptop in a bag should not hold ten times what it needs.
func (n *Node) idle(ctx context.Context) error {
	give := n.AtRest
	if give == nil {
		give = debug.FreeOSMemory
	}
	releaseAfterBursts(ctx, n.Store.Changed, give)
	return nil
}

// releaseAfterBursts calls give once after every burst of changes.
func releaseAfterBursts(ctx context.Context, changed func() <-chan struct{}, give func()) {
	for {
		next := changed()
		quiet := time.NewTimer(idleAfter)
		select {
		case <-ctx.Done():
			quiet.Stop()
			return
		case <-next:
			quiet.Stop()
			continue
		case <-quiet.C:
			give()
		}
		select {
		case <-ctx.Done():
			return
		case <-next:
		}
	}
}
