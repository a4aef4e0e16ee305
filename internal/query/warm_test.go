package query_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// A freezer was warm from 40 h to 44 h after the first readings; some bags came and went before, in and
// after that, one was lent out over it and came back, and one had been given long before. Only those concern
// the spell that lay there in it: in what is proposed, in what is set aside and in the dossier.
func TestAWarmSpellConcernsTheBagsThatLayThere(t *testing.T) {
	d, place := coldPlace(t, &pb.PlaceAdded{Name: "cold store", Kind: pb.PlaceKind_PLACE_KIND_FREEZER})
	began := d.Clock.Now()
	at := func(h int) time.Time { return began.Add(time.Duration(h) * time.Hour) }
	other := d.Must(&pb.PlaceAdded{Name: "car", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}).Made[0]
	made := d.Must(&pb.BagsReceived{Product: "Cold plasma", Batch: "W-1", Expiry: "2029-01", VolumeMl: 950, Count: 7, Place: place}).Made
	stays, left, back, during, lent, binned, seen := made[0], made[1], made[2], made[3], made[4], made[5], made[6]
	d.Clock.Advance(80 * time.Hour)
	when := func(h int, m proto.Message) { enter(d, seasonOwner, at(h), d.Entry(m)) }
	when(1, &pb.TemperatureRead{Place: place, NowDc: -220})
	when(10, &pb.BagsMoved{Bags: []string{left, back}, ToPlace: other})
	when(20, &pb.BagsLent{Bags: []string{lent}, ToPractice: "the practice in the next valley"})
	when(20, &pb.BagDiscarded{Bag: binned, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	when(40, &pb.TemperatureRead{Place: place, NowDc: -221})
	when(41, &pb.BagsMoved{Bags: []string{during}, ToPlace: other})
	when(42, &pb.TemperatureRead{Place: place, NowDc: -90})
	when(43, &pb.BagsMoved{Bags: []string{during}, ToPlace: place}) // it came back while it was warm: one bag
	when(44, &pb.TemperatureRead{Place: place, NowDc: -222})
	when(50, &pb.BagsMoved{Bags: []string{back}, ToPlace: place})
	when(50, &pb.BagReturned{Bag: lent, To: pb.ReturnTo_RETURN_TO_FREEZER, Place: place})
	when(50, &pb.BagsReceived{Product: "Cold plasma", Batch: "W-2", Expiry: "2029-01", VolumeMl: 950, Count: 4, Place: place})
	when(60, &pb.BagsMoved{Bags: []string{seen}, ToPlace: other})

	out := freezerOf(d, &pb.GetPlaceRequest{Place: place})
	require.Len(t, out.Warm, 1)
	w := out.Warm[0]
	want := map[string]bool{stays: true, during: true, seen: true}
	require.Equal(t, int32(3+5), w.Bags, "three of these, and five that the place began with")
	require.Equal(t, int32(3+2), w.Over[0].Bags)

	for _, b := range w.Lay { // and each says why
		require.Equal(t, b.Bag == during, b.Came != "" || b.Left != "", b)
	}
	spell := d.Must(&pb.PlaceWarm{Place: place, From: &pb.Moment{UnixMs: at(40).UnixMilli()}, To: &pb.Moment{UnixMs: at(44).UnixMilli()}}).Record
	stock, err := d.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	for _, b := range stock.Bags {
		if b.Batch != "K-1" {
			require.Equal(t, want[b.Bag], b.State == "quarantined", "%s %s: %v", b.Bag, b.State, b.Because)
		}
	}
	recall, err := d.GetRecall(t.Context(), &pb.GetRecallRequest{Warm: spell})
	require.NoError(t, err)
	for _, b := range recall.BagsOut {
		require.NotContains(t, []string{left, back, lent, binned}, b.Bag)
	}
	for _, b := range recall.BagsGone {
		require.NotEqual(t, binned, b.Bag, "it was gone before")
	}
	require.Equal(t, int32(8), recall.Received)
}
