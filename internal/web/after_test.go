package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAfterAPartThePageAsksForTheRest: after 20 of 950 mL the path does not go to the
// recheck; what is due stands with its person until it is done or explained.
func TestAfterAPartThePageAsksForTheRest(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	at := "/case/" + id
	d.clock.Advance(12 * time.Minute)
	d.write(&pb.ReactionNoted{Case: id, Signs: []string{"hives"}})
	d.stops(id, bag, 20)
	page := plainText(d.get(at + "/after"))
	require.Contains(t, page, "20 of the 950 mL accepted are given: the next bag with its slow start, or say why not M. Alder")
	require.Contains(t, page, "vitals 30 min after the end")
	require.Contains(t, page, "watch after the reaction")
	require.Contains(t, page, "rest of bag")
	recheck := time.Now().Add(24 * time.Hour).UnixMilli()
	d.write(&pb.RecheckPlanned{Case: id, Person: "M. Alder", DueAt: &pb.Moment{UnixMs: recheck}})
	require.Contains(t, plainText(d.get("/barn")), "next bag with its slow start")
	require.Contains(t, d.next(id), "next bag with its slow start")
	d.fill("/write/follow_up_noted?case="+id+"&what=next_bag", "case", id, "what", "next_bag", "reason", "the vet stops here")
	require.NotContains(t, d.next(id), "next bag")
	require.NotContains(t, plainText(d.get(at+"/after")), "next bag with")

	require.Contains(t, plainText(d.get(at+"/treat")), "Disconnect the set; do not flush the line. 3. Leave the catheter.")
	d.fill("/write/reaction_described?case="+id, "case", id, "kind", "allergic", "grade", "moderate", "onset_ml", "20", "checked_by", "K. Low")
	require.Contains(t, plainText(d.get("/cases")), "reaction: allergic, moderate")
	require.Contains(t, plainText(d.get(at+"/sheet")), "allergic, moderate, first sign after 12 min, with 20 mL in, checked by K. Low")
}

// stops ends a bag before its end.
func (d *laptop) stops(id, bag string, ml int32) {
	d.t.Helper()
	_, err := d.site.Records.Write(d.t.Context(), &pb.WriteRequest{Author: d.author(), Entry: &pb.Entry{Body: &pb.Entry_Stopped{
		Stopped: &pb.TransfusionEnded{Case: id, Bag: bag, GivenMl: ml, Reason: "hives"},
	}}})
	require.NoError(d.t, err)
}
