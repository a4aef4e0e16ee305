package web

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestATornLabelHasAWayOnThePage: two looks at our number go on to the bath without a
// batch that nobody can read; whoever is not sure sets the bag aside.
func TestATornLabelHasAWayOnThePage(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toBags()
	at := "/case/" + id
	require.Contains(t, d.get(at+"/bath"), at+"/torn?bag="+bag)
	page := plainText(d.get(at + "/torn"))
	require.Contains(t, page, "What the books say about our number")
	require.Contains(t, page, "H-2207")
	other := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: d.place}).Made[0]
	require.Contains(t, plainText(d.refused(at+"/torn", "bag", other, "bag_again", other)), "This is bag "+words.BagNumber(other))
	require.Contains(t, plainText(d.refused(at+"/torn", "bag", bag, "bag_again", other)), "the same number as the first time")
	require.Equal(t, at+"/bath", d.fill(at+"/torn", "bag", bag, "bag_again", words.BagNumber(bag), "second_by", "K. Low"))
	page = d.get(at + "/bath")
	require.Contains(t, plainText(page), "Label not readable.")
	require.NotContains(t, page, "read_batch")
	require.Equal(t, at+"/thaw", d.fill(at+"/bath", append([]string{"bag", bag, "text", "label not readable"}, ticks("bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given")...)...))
	require.Contains(t, plainText(d.get(at+"/sheet")), "label not readable")

	second := newLaptop(t)
	id, _ = second.toBags()
	require.Equal(t, "/case/"+id+"/dose", second.fill("/case/"+id+"/torn", "do", "aside"))
	require.Contains(t, plainText(second.get("/case/"+id+"/dose")), "label not readable")
}
