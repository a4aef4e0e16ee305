package entry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

func deliver(count int32, batch string) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{Product: "foal plasma", Batch: batch, Expiry: "2028-03", VolumeMl: 950, Count: count, Place: "north car"}}}
}

func stockOf(t *testing.T, d *entrytest.Laptop) int {
	out, err := d.Writer.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	return len(out.Bags)
}

// TestAllOrNothing saves none of several entries where one is refused or only a trial was
// asked for, and all of them once.
func TestAllOrNothing(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	before := stockOf(t, d)
	ask := &pb.WriteAllRequest{Entries: []*pb.WriteRequest{
		{Entry: deliver(2, "H2240"), RequestId: "file-1"}, {Entry: deliver(0, "H2241"), RequestId: "file-2"},
		{Entry: &pb.Entry{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}}}, RequestId: "file-3"},
	}}
	out, err := d.Writer.WriteAll(t.Context(), ask)
	require.NoError(t, err)
	require.False(t, out.AllSaved)
	require.Len(t, out.Fates, 3)
	require.Empty(t, out.Fates[0].Refused)
	require.Contains(t, out.Fates[0].Written.Text, "H2240")
	require.Contains(t, out.Fates[1].Refused, "how many bags")
	require.Equal(t, before, stockOf(t, d), "one is refused, none is saved")

	ask.Entries[1].Entry = deliver(3, "H2241")
	ask.DryRun = true
	out, err = d.Writer.WriteAll(t.Context(), ask)
	require.NoError(t, err)
	require.False(t, out.AllSaved)
	require.Empty(t, out.Fates[1].Refused)
	require.Equal(t, before, stockOf(t, d), "a trial saves nothing")

	ask.DryRun = false
	for range 2 { // the same twice adds nothing
		out, err = d.Writer.WriteAll(t.Context(), ask)
		require.NoError(t, err)
		require.True(t, out.AllSaved)
		require.Equal(t, before+5, stockOf(t, d))
	}
	require.True(t, out.Fates[0].Written.RepeatedRequest)
	_, err = d.Writer.WriteAll(t.Context(), &pb.WriteAllRequest{})
	require.ErrorContains(t, err, "entries")
}

// TestArrival sets aside what did not come frozen until a person decides, and says so.
func TestArrival(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	warmest := int32(-150)
	d.Must(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, StorageMaxDc: &warmest})
	for _, c := range []struct {
		arrived pb.Arrival
		dc      int32
		code    string
	}{
		{pb.Arrival_ARRIVAL_FROZEN, -200, ""}, {pb.Arrival_ARRIVAL_FROZEN, -80, "arrived_over_storage"},
		{pb.Arrival_ARRIVAL_SOFT, -200, "arrived_not_frozen"}, {pb.Arrival_ARRIVAL_THAWED, -200, "arrived_not_frozen"},
	} {
		p := deliver(2, "H2250").GetBagsReceived()
		p.Arrived, p.ArrivedDc = c.arrived, &c.dc
		out := d.Must(p)
		codes := ""
		for _, raised := range out.Cautions {
			codes += raised.Code
		}
		require.Equal(t, c.code, codes)
		show := func() *pb.BagRow {
			bag, err := d.Writer.GetBag(t.Context(), &pb.GetBagRequest{Bag: out.Made[0]})
			require.NoError(t, err)
			return bag.Bag
		}
		if c.code == "" {
			require.Equal(t, "frozen", show().State)
			continue
		}
		require.Equal(t, "quarantined", show().State)
		require.Contains(t, show().Because, "quarantined: arrived thawed or warm; ask the maker; a person has to decide")
		d.Must(&pb.QuarantineDecided{Bags: out.Made, Reason: "the maker says it was dry ice"})
		require.Equal(t, "frozen", show().State)
	}
}

// TestLearnsGTIN keeps which product a maker's number stands for, once.
func TestLearnsGTIN(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Must(&pb.ProductCoded{Product: "foal plasma", Gtin: "9501101530003"})
	rec, err := d.Writer.GetRecord(t.Context(), &pb.GetRecordRequest{Record: d.Must(&pb.ProductCoded{Product: "foal plasma", Gtin: "09501101530003"}).Record})
	require.NoError(t, err)
	require.Contains(t, rec.Entities[0], event.KindProduct+"/")
	_, text := d.Refused(&pb.ProductCoded{Product: "foal plasma", Gtin: "9501101530004"})
	require.Contains(t, text, "check digit")
	d.Must(&pb.ProductCard{Name: "Adult plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN})
	out := d.Must(&pb.ProductCoded{Product: "adult plasma", Gtin: "09501101530003"})
	require.Equal(t, "gtin_of_another", out.Cautions[0].Code)
}
