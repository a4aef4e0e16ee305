package projection

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// The order of calls: the index is opened, the journal is handed over, and then
// every commit is told before the next question.
func Example() {
	ctx := context.Background()
	world := ledgertest.New(new(testing.T))
	north := world.Device("north")
	j, _, err := journal.Open(journal.Options{FS: memfs.New(), Dir: "journal", Now: func() time.Time { return world.Now() }})
	if err != nil {
		panic(err)
	}
	p, err := Open(Options{
		Index: index.NewMemory(), Device: north.Public(), Logger: slog.New(slog.DiscardHandler), Logs: logTable{},
		Damaged: func(journal.Position, journal.Position, string) {}, Repaired: func(string) {}, Applied: func() {},
	})
	if err != nil {
		panic(err)
	}
	if _, err := p.Restore(ctx, j, Witness{}); err != nil {
		panic(err)
	}

	north.Write(&pb.BatchHeld{Product: "P", Batch: "H-2207", Reason: "the maker called"})
	var frames [][]byte
	for _, r := range world.Records() {
		frames = append(frames, r.Wire())
	}
	at, err := j.Commit(frames)
	if err != nil {
		panic(err)
	}
	p.Add(world.Records(), at, j.End())
	fmt.Println(p.Behind() > 0)

	err = p.View(ctx, func(v *Snapshot) error {
		batch, _, err := Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: event.BatchID("P", "H-2207")})
		fmt.Println(batch.Standing() != nil, p.Behind())
		return err
	})
	fmt.Println(err, p.Close(), j.Close())
	// Output:
	// true
	// true 0
	// <nil> <nil> <nil>
}
