package ledger_test

import (
	"fmt"
	"testing"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// A barn without a network gives a bag while the clinic puts the batch on hold.
// When the two laptops meet, both fold the same state from the same records.
func Example() {
	w := ledgertest.New(&testing.T{})
	clinic, barn := w.Device("clinic"), w.Device("barn")
	clinic.Write(&pb.BagsReceived{
		Bags: []string{"7K2M"}, Product: "plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "car",
	})
	hold := clinic.Write(&pb.BatchHeld{Product: "plasma", Batch: "H2207", Reason: "maker called"})
	w.Pass(time.Hour)
	barn.Write(&pb.TransfusionStarted{Bag: "7K2M", Case: "5Q", Product: "plasma", Batch: "H2207", Place: "car"})
	w.Pass(time.Hour)
	barn.Hear(hold)

	key := event.Key{Kind: event.KindBatch, ID: event.BatchID("plasma", "h-2207")}
	batch := ledger.Fold(key, ledgertest.Inputs(key, w.Records())).(*ledger.Batch)
	for _, d := range batch.Discrepancies() {
		fmt.Println(d.Kind, d.Entity, d.Open)
		fmt.Println(d.Text)
		fmt.Println("the hold, at the moment of hanging, on that laptop:", d.HoldReached)
	}
	// Output:
	// given_after_hold batch/plasma/H2207 true
	// A bag of this batch was given after the batch was put on hold or recalled.
	// the hold, at the moment of hanging, on that laptop: not_reached
}
