package query

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAlikeBagsAreOneRow groups and sums by hand: 2 + 1 frozen of one batch at two places,
// one of another batch, one on hold.
func TestAlikeBagsAreOneRow(t *testing.T) {
	row := func(bag, place, batch, state string, ml int32, useBy string) *pb.BagRow {
		return &pb.BagRow{Bag: bag, Place: place, PlaceId: "id of " + place, Product: "Foal plasma", Batch: batch, State: state, States: []string{state}, VolumeMl: ml, UseBy: useBy}
	}
	stock := func() *pb.ListStockResponse {
		return &pb.ListStockResponse{Bags: []*pb.BagRow{
			row("A", "car", "H1", "frozen", 950, "2028"), row("B", "clinic", "H2", "frozen", 500, "2027"), row("C", "clinic", "H1", "frozen", 950, "2028"),
			row("D", "clinic", "H1", "on hold", 950, "2028"), row("E", "clinic", "H1", "frozen", 950, "2028"),
		}}
	}
	for sort, want := range map[string][][]string{
		"":       {{"A"}, {"B"}, {"C", "E"}, {"D"}},
		"batch":  {{"A"}, {"C", "E"}, {"D"}, {"B"}},
		"bags":   {{"A"}, {"C", "E"}, {"B"}, {"D"}},
		"volume": {{"A"}, {"C", "E"}, {"D"}, {"B"}},
	} {
		out, order := stock(), stockOrders[sort]
		groupStock(out, order)
		var got [][]string
		for _, g := range out.Groups {
			got = append(got, g.Bags)
		}
		require.Equal(t, want, got, "by %q", sort)
		require.Empty(t, out.Bags)
		require.Equal(t, int32(1900), out.Groups[len(out.Groups)-len(want)+indexOf(want, "C")].TotalMl)
		require.Len(t, out.Sums, 3)
		require.Equal(t, []int32{1, 3, 1}, []int32{out.Sums[0].Count, out.Sums[1].Count, out.Sums[2].Count})
		require.Equal(t, int32(2400), out.Sums[1].TotalMl, "500 and twice 950 are frozen in the clinic")
		require.Equal(t, "on hold", out.Sums[2].State)
	}
	_, err := stockOrder("colour")
	require.ErrorContains(t, err, "colour")
}

func indexOf(groups [][]string, bag string) int {
	for i, g := range groups {
		if g[0] == bag {
			return i
		}
	}
	return -1
}

// TestASearchFindsWhatPeopleType: words in any order, a number with or without dashes.
func TestASearchFindsWhatPeopleType(t *testing.T) {
	bag := &pb.BagRow{Bag: "GMJSJN3V9", Place: "north car", Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", State: "set_attached", States: []string{"set_attached", "thawed"}}
	for text, want := range map[string]bool{
		"": true, "gmjs-jn3v": true, "GMJSJN3V9": true, "h2207": true, "h-2207 north": true, "plasma foal": true, "attached": true, "thawed": true, "2028-03": true,
		"h2208": false, "north clinic": false, "frozen": false,
	} {
		require.Equal(t, want, searchOf(text).fits(bag), text)
	}
}
