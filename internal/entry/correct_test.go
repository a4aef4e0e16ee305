package entry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// instead writes a correction of a record: what stands in its place from now on.
func instead(d *entrytest.Laptop, record string, m proto.Message) *pb.WriteResponse {
	d.T.Helper()
	out, err := d.Write(d.T.Context(), &pb.WriteRequest{
		Entry: d.Entry(&pb.Corrected{Original: record, Reason: "typed wrongly"}), Replacement: d.Entry(m),
	})
	require.NoError(d.T, err)
	return out
}

// stock lists the numbers of the bags in stock.
func stock(d *entrytest.Laptop) (bags []string) {
	d.T.Helper()
	out, err := d.ListStock(d.T.Context(), &pb.ListStockRequest{})
	require.NoError(d.T, err)
	for _, b := range out.Bags {
		bags = append(bags, b.Bag)
	}
	return bags
}

// A delivery whose price, expiry, batch or volume is put right is the same bags: their
// stickers stay good, and what was given of them stays theirs.
func TestACorrectedDeliveryKeepsItsBags(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	got := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 4, Place: "north car"})
	before := stock(d)
	instead(d, got.Record, &pb.BagsReceived{Product: "foal plasma", Batch: "K-12", Expiry: "2028-04", VolumeMl: 900, Count: 4, Place: "north car", CostMinor: proto.Int64(21_500)})
	require.ElementsMatch(t, before, stock(d))
	out, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: got.Made[0]})
	require.NoError(t, err)
	require.Equal(t, "K-12", out.Bag.Batch)
	require.Equal(t, "2028-04", out.Bag.Expiry)
	require.EqualValues(t, 900, out.Bag.VolumeMl)
}

// More bags than were typed get new numbers beside the old ones; of fewer, those fall
// away that nothing else was told of.
func TestACorrectedCountKeepsTheBagsThatWereUsed(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	delivery := func(count int32) *pb.BagsReceived {
		return &pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: count, Place: "north car"}
	}
	got := d.Must(delivery(4))
	more := instead(d, got.Record, delivery(5))
	require.Len(t, more.Made, 1, "one new sticker is printed")
	require.Subset(t, stock(d), append(got.Made, more.Made...))

	d.Must(&pb.BagSoftened{Bag: got.Made[3]})
	d.Must(&pb.BagSoftened{Bag: more.Made[0]})
	instead(d, got.Record, delivery(3))
	left := stock(d)
	require.Subset(t, left, []string{got.Made[0], got.Made[3], more.Made[0]})
	require.NotContains(t, left, got.Made[1])
	require.NotContains(t, left, got.Made[2])

	_, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry: d.Entry(&pb.Corrected{Original: got.Record, Reason: "one came"}), Replacement: d.Entry(delivery(1)),
	})
	require.ErrorContains(t, err, "count")
	require.ErrorContains(t, err, "2 of them")
}

// A case whose opening is put right is the same case, and a person or a place too.
func TestACorrectionKeepsWhatItIsAbout(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	opened := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", ClockChecked: true})
	again := instead(d, opened.Record, &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbor", ClockChecked: true})
	require.Empty(t, again.Made)
	cases, err := d.ListCases(t.Context(), &pb.ListCasesRequest{})
	require.NoError(t, err)
	require.Len(t, cases.Cases, 1)
	require.Equal(t, opened.Made[0], cases.Cases[0].Case)
	require.Contains(t, cases.Cases[0].Patient, "Quiet Harbor")
}

// What this replica knew when a move or a count was entered is not asked of the stock
// of today.
func TestACorrectionKeepsWhatWasKnownThen(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	d.Must(&pb.PlaceAdded{Name: "clinic", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	moved := d.Must(&pb.BagsMoved{Bags: bags[:2], ToPlace: "south car"})
	instead(d, moved.Record, &pb.BagsMoved{Bags: bags[:2], ToPlace: "clinic"})
	counted := d.Must(&pb.PlaceCounted{Place: "north car"})
	d.Must(&pb.BagsMoved{Bags: bags[2:], ToPlace: "clinic"})
	instead(d, counted.Record, &pb.PlaceCounted{Place: "north car", BagsSeen: bags[2:]})
	out, err := d.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	require.Empty(t, out.Discrepancies)
}

// A delivery that never came is in no list, no file and no count.
func TestAVoidedDeliveryIsNowhere(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	before := stock(d)
	got := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 14, Place: "north car"})
	d.Must(&pb.Corrected{Original: got.Record, Void: true, Reason: "typed twice"})
	require.ElementsMatch(t, before, stock(d))
	use, err := d.ListUse(t.Context(), &pb.ListUseRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 3, use.Rows[0].Received)
	batches, err := d.ListBatches(t.Context(), &pb.ListBatchesRequest{})
	require.NoError(t, err)
	require.Len(t, batches.Batches, 1)
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.ThawStarted{Bag: got.Made[0]})})
	require.NoError(t, err, "what happened to it is recorded all the same")
}

// A bag that was lent and comes back is in stock where it was put.
func TestALentBagComesBack(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.BagsLent{Bags: bags[:2], ToPractice: "Fernhill Equine"})
	require.Len(t, stock(d), 1)
	d.Must(&pb.BagReturned{Bag: bags[0], To: pb.ReturnTo_RETURN_TO_FREEZER, Place: "north car"})
	d.Must(&pb.BagsMoved{Bags: bags[1:2], ToPlace: "north car"})
	require.ElementsMatch(t, bags, stock(d))
	out, err := d.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	require.Empty(t, out.Discrepancies, "nothing is broken by a bag that comes home")
}

// What a vet gave on the last day of a month stays that vet's and that month's when a
// clerk bins the rest on the first of the next.
func TestGivenBelongsToWhoGaveIt(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PersonAdded{Name: "T. Clerk"})
	id := opened(d)
	by := func(who string, m proto.Message) {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(m), Author: who})
		require.NoError(t, err)
	}
	month := func(day time.Time) {
		d.Clock.SetWall(day)
	}
	month(time.Date(2026, 11, 30, 2, 0, 0, 0, time.UTC))
	by("M. Alder", &pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 310})
	month(time.Date(2026, 12, 1, 2, 0, 0, 0, time.UTC))
	by("T. Clerk", &pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: proto.Int32(640)})
	for _, group := range []struct{ by, name string }{{"month", "2026-11"}, {"person", "M. Alder"}} {
		use, err := d.ListUse(t.Context(), &pb.ListUseRequest{By: group.by})
		require.NoError(t, err)
		for _, row := range use.Rows {
			if row.Group == group.name {
				require.EqualValues(t, 310, row.GivenMl)
				require.EqualValues(t, 1, row.Given)
				continue
			}
			require.Zero(t, row.GivenMl, row.Group)
			require.Zero(t, row.Given, row.Group)
		}
	}
}

func opened(d *entrytest.Laptop) string {
	out, err := d.Write(d.T.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: d.Entry(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", ClockChecked: true,
	})})
	require.NoError(d.T, err)
	return out.Made[0]
}
