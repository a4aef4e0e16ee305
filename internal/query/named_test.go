package query_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/label"
	pb "thawtrail/proto/thawtrail/v1"
)

// Every answer about a bag, and every line of what was done with one, names the bag and
// its batch.
func TestAnswersAndLinesNameBagAndBatch(t *testing.T) {
	d, id := running(t)
	bag := sheetOf(d, id).Transfusions[0].Bag
	number, err := label.ParseBag(bag)
	require.NoError(t, err)
	named := "bag " + number.String() + " (Foal plasma, batch H-2207)"
	for _, out := range []*pb.WriteResponse{
		d.Must(&pb.RateSet{Case: id, MlPerH: 60, SlowStage: true}),
		d.Must(&pb.FlowChanged{Case: id, GivenMl: proto.Int32(20)}),
		d.Must(&pb.ReactionNoted{Case: id, Signs: []string{"hives"}}),
		d.Must(&pb.TransfusionEnded{Case: id, Bag: string(number), GivenMl: 25}),
		d.Must(&pb.BagKeptBack{Bag: string(number), Reason: "reaction"}),
	} {
		require.Contains(t, out.Text, named)
		require.Equal(t, 1, strings.Count(out.Text, "batch"), out.Text)
	}
	require.Contains(t, look(d, id, 383, 97, 35, false).Text, "10 mL given")
	moved := d.Must(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: "north car"})
	require.Contains(t, d.Must(&pb.BagsMoved{Bags: moved.Made, ToPlace: "north car"}).Text, label.BagNumber(moved.Made[0]).String()+", "+label.BagNumber(moved.Made[1]).String()+" (Foal plasma, batch H-2299)")
	lines := 0
	for _, row := range sheetOf(d, id).Timeline {
		for _, told := range []string{"Checked before the set", "Plasma started", "Slow start", "Clamp shut", "Reaction", "Bag stopped"} {
			if strings.HasPrefix(row.What, told) {
				require.Contains(t, row.What, named)
				lines++
			}
		}
	}
	require.GreaterOrEqual(t, lines, 6)
}
