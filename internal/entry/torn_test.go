package entry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// A torn label: the books' words are offered with the first look at our number, the
// second look confirms them, and the bag stays marked.
func TestATornLabelIsConfirmedByTwoLooks(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	field, text := d.Refused(&pb.LabelUnreadable{Bag: bags[0]})
	require.Equal(t, "again", field)
	require.Contains(t, text, "Foal plasma, batch H-2207, expiry 2028-03, 950 mL", "what the books say is offered")
	field, _ = d.Refused(&pb.LabelUnreadable{Bag: bags[0], BagAgain: bags[1]})
	require.Equal(t, "again", field)

	require.Empty(t, d.Must(&pb.LabelUnreadable{Bag: bags[0], BagAgain: bags[0], SecondBy: "K. Low", Text: "...207"}).Cautions)
	shown, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	require.Equal(t, "frozen", shown.Bag.State)
	require.Contains(t, shown.Bag.Because, "label not readable: as the books say, by two looks at our number")
	require.Contains(t, codesOf(d.Must(&pb.BathChecked{Case: id, Bag: bags[0]})), "label_not_readable")
	require.Contains(t, codesOf(d.Must(&pb.HangChecked{Case: id, Bag: bags[0]})), "label_not_readable")
}

// Nobody is sure, or the books do not know the number: the bag is set aside, and starting
// it asks, until a person decides.
func TestATornLabelThatNobodyConfirmsIsSetAside(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Ready(id, bags[0])
	out := d.Must(&pb.LabelUnreadable{Bag: bags[0], SetAside: true})
	require.Equal(t, []string{"label_set_aside"}, codesOf(out))
	_, text := d.Refused(&pb.TransfusionStarted{Case: id, Bag: bags[0]})
	require.Contains(t, text, "label not readable")
	require.Contains(t, codesOf(d.Must(&pb.BathChecked{Case: id, Bag: bags[0]})), "bag_not_fit")

	d.Must(&pb.QuarantineDecided{Bags: bags[:1], Reason: "the other two of the delivery are here"})
	shown, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	require.Equal(t, "frozen", shown.Bag.State)
}

// Without a number of ours the bag gets one, lies in the books, and is set aside.
func TestABagWithoutNumberAndLabelIsSetAside(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	field, _ := d.Refused(&pb.LabelUnreadable{})
	require.Equal(t, "place", field)
	out := d.Must(&pb.LabelUnreadable{Place: "north car", Text: "only '950' can be read"})
	require.Len(t, out.Made, 1)
	require.Equal(t, []string{"label_set_aside"}, codesOf(out))
	stock, err := d.ListStock(t.Context(), &pb.ListStockRequest{Place: "north car"})
	require.NoError(t, err)
	require.Len(t, stock.Bags, 4)
	for _, row := range stock.Bags {
		if row.Bag == out.Made[0] {
			require.Equal(t, "quarantined", row.State)
		}
	}
	_, text := d.Refused(&pb.TransfusionStarted{Case: d.Foal(), Bag: out.Made[0]})
	require.Contains(t, text, "label not readable")
}
