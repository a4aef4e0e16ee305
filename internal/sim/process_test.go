package sim

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/testrun"
)

// Where a practice's records lie in a database, several processes may serve it, one at a
// time: whoever opens its records takes them over, and the one that had them before saves
// nothing any more. It may not know that yet: its links are open, and what is on its way
// over them arrives. Here the database is the disk of the hub behind a fence.

// fence counts who opened the hub's records.
type fence struct{ opened int }

func (f *fence) open(open store.OpenTruth) store.OpenTruth {
	return func(ctx context.Context, o store.Opening) (store.Truth, journal.Report, error) {
		f.opened++
		truth, report, err := open(ctx, o)
		if err != nil {
			return nil, report, err
		}
		return &fenced{truth.(disk), f, f.opened}, report, nil
	}
}

// disk is a truth on a disk, as the file journal is one.
type disk interface {
	store.Truth
	store.Disk
}

// fenced is what one process has open.
type fenced struct {
	disk
	fence *fence
	own   int
}

func (t *fenced) Commit(frames [][]byte) ([]journal.Position, error) {
	if t.own != t.fence.opened {
		return nil, store.ErrFenced
	}
	return t.disk.Commit(frames)
}

// fencedRing keeps the keys of sealed fields for as long as this process has the practice.
func (n *node) fencedRing() func([]byte) error {
	own := n.opens
	return func(ring []byte) error {
		if own != n.opens {
			return store.ErrFenced
		}
		return n.keepRing(ring)
	}
}

// fencedOff says that an error is what a process gets from which the practice was taken.
func (n *node) fencedOff(err error) bool {
	off := n.taker != nil && strings.Contains(err.Error(), store.ErrFenced.Error())
	if off {
		n.w.count("refused to who was taken over")
	}
	return off
}

// takenOver lets another process open the hub's records, with no index or one that it had
// kept of them. The links to the one before stay until it answers on them, or the laptop
// has a new one.
func (w *world) takenOver(r *rand.Rand) {
	h := w.hub
	if h.store == nil || h.sick || h.full || h.index.Refuse != nil {
		return
	}
	w.count("another process took over")
	before := *h
	before.name, before.taker = "the process before", h
	for _, s := range w.sessions {
		if s.b == h {
			s.b = &before
		}
	}
	for _, m := range w.flying {
		if m.to == h {
			m.to = &before
		}
	}
	h.index = &indextest.Trail{}
	if r.IntN(2) == 0 {
		h.index = before.index.AsOf(max(before.index.Persisted, r.IntN(before.index.Len()+1)))
	}
	h.open()
	if _, err := before.append(w.draft(&before, r)); !errors.Is(err, store.ErrFenced) {
		w.fail("a process from which the practice was taken over saves on: %v", err)
	}
}

// TestProcesses runs seeds in which the hub's processes take over from each other. A range
// is run as TestSeeds runs one.
func TestProcesses(t *testing.T) {
	if *seedFlag != 0 {
		return
	}
	seeds := testrun.Of(10, 60)
	if *seedsFlag > 0 {
		seeds = *seedsFlag
	}
	all := runAll(*firstFlag, uint64(seeds), processSteps)
	if len(all.failed) > 0 {
		report(t, processSteps, all.failed)
	}
	for _, what := range []string{"another process took over", "refused to who was taken over", "crash", "index lost", "pushed to who was taken over"} {
		require.NotZero(t, all.did[what], "no seed met: %s", what)
		t.Logf("%6d %s", all.did[what], what)
	}
}

func processSteps(seed uint64) []step {
	return drawn(seed, *stepsFlag, append(slices.Clone(weights), weight{"other process", 16}))
}
