package store_test

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// A record is made, saved and read back as folded state.
func Example() {
	ctx := context.Background()
	s, err := store.Open(ctx, store.Options{
		Dir: "replica", FS: memfs.New(), Index: index.NewMemory(), // without these two: the disk
		Clock:  clock.NewManual(time.Date(2026, 11, 24, 22, 0, 0, 0, time.UTC)),
		Device: ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize)), DeviceName: "north",
	})
	if err != nil {
		panic(err)
	}
	recs, err := s.Append(ctx, store.Draft{
		Type: event.TypeBatchHeld, Author: "vet", Payload: &pb.BatchHeld{Product: "P", Batch: "H-2207", Reason: "the maker called"},
	})
	if err != nil {
		panic(err)
	}
	fmt.Println("saved as record", recs[0].Seq(), "of", s.Records(), "here")

	err = s.View(ctx, func(v *store.Snapshot) error {
		batch, known, err := store.Get[*ledger.Batch](v, event.Key{Kind: event.KindBatch, ID: event.BatchID("P", "H-2207")})
		fmt.Println(known, batch.Standing()[0].Reason)
		return err
	})
	fmt.Println(err, s.Close())
	// Output:
	// saved as record 1 of 3 here
	// true the maker called
	// <nil> <nil>
}
