package query_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica/replicatest"
	pb "thawtrail/proto/thawtrail/v1"
)

// reach is a link over which records up to a number came to the clinic, and of which a
// statement lists those up to a lower one.
type reach struct {
	replicatest.Alone
	held, sent uint64
}

func (l reach) StateOf(r *event.Record) exchange.Delivery {
	switch {
	case r.Seq() <= l.held:
		return exchange.HeldOnServer
	case r.Seq() <= l.sent:
		return exchange.Sent
	}
	return exchange.SavedHere
}

// A dated list says of each line how far it has come, as its record in full does; what was
// corrected has come as far as its correction.
func TestADatedListSaysHowFarEachLineHasCome(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	for grams := int32(40_000); grams < 48_000; grams += 1000 {
		d.Must(&pb.PatientWeighed{Case: id, WeightG: grams, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	}
	end := d.Must(&pb.PatientWeighed{Case: id, WeightG: 48_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	last, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: end.Record})
	require.NoError(t, err)
	d.Link = reach{held: last.Seq - 6, sent: last.Seq - 3}
	out, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	bag, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	met := map[pb.SavedState]string{}
	for _, row := range append(bag.Timeline, out.Timeline...) {
		full, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: row.Record})
		require.NoError(t, err)
		require.Equal(t, full.Saved, row.Saved, row.What)
		met[row.Saved] = row.Record
	}
	require.Len(t, met, 3, "here, sent and held")

	fix := &pb.Corrected{Original: met[pb.SavedState_SAVED_STATE_HELD_ON_SERVER], Void: true, Reason: "typed twice"}
	d.Must(fix)
	out, err = d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	for _, row := range out.Timeline {
		if row.Record == fix.Original {
			require.NotNil(t, row.Corrected)
			require.Equal(t, pb.SavedState_SAVED_STATE_SAVED_HERE, row.Saved)
			return
		}
	}
	t.Fatal("what was voided is in no list")
}
