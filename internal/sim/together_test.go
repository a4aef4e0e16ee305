package sim

import (
	"math/rand/v2"
	"runtime"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/store/journal/memfs"
)

// together lets several callers of one store write at once: while the first one's
// commit is on its way to the disk, the others come, one after the other, and wait
// for the next commit. That one is made for all of them by whoever is woken first, so
// that what happens does not depend on whom.
func (w *world) together(n *node, r *rand.Rand) {
	if n.store == nil || n.sick {
		return
	}
	drafts := make([]store.Draft, 3+r.IntN(3))
	for i := range drafts {
		drafts[i] = w.draft(n, r)
	}
	records, failed := make([][]*event.Record, len(drafts)), make([]error, len(drafts))
	write := func(i int) { records[i], failed[i] = n.store.Append(ctx, drafts[i]) }
	var others sync.WaitGroup
	writes, breaks := 0, r.IntN(4) == 0
	n.fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind != memfs.Write {
			return memfs.Fault{}
		}
		if writes++; writes > 1 && breaks {
			return memfs.Fault{Err: errDied, Bytes: op.Size / 2}
		}
		for i := 1; i < len(drafts) && writes == 1; i++ {
			others.Go(func() { write(i) })
			for n.store.Waiting() < i {
				runtime.Gosched()
			}
		}
		return memfs.Fault{}
	})
	n.sick = breaks
	write(0)
	others.Wait()
	w.count("several writers at once")
	for i := range drafts {
		_, err := n.appended(records[i], failed[i])
		w.mayRefuse(n, err)
	}
	n.sick = false
	n.fs.SetHook(nil)
}
