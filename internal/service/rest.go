package service

import (
	"context"
	"runtime/debug"
	"time"
)

// restAfter is how long nothing must have been saved before memory is given back.
const restAfter = 20 * time.Second

// Rest gives memory back to the system whenever the replica has come to rest,
// until ctx ends. Opening the index and folding many records leave far more behind
// than they keep, and where nothing is asked for more, nothing else would clear it
// away for minutes: a laptop in a bag should not hold ten times what it needs.
func (r *Replica) Rest(ctx context.Context) error {
	rest(ctx, r.Store.Changed, debug.FreeOSMemory)
	return nil
}

// rest calls give once after every burst of changes.
func rest(ctx context.Context, changed func() <-chan struct{}, give func()) {
	for {
		next := changed()
		quiet := time.NewTimer(restAfter)
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
