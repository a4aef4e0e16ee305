package projection

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	pb "thawtrail/proto/thawtrail/v1"
)

// Rows that hold lines are shown as they stand. What an unclean stop left of them is
// compared before: a row of a bag that has gone, the line of another time, and a row that
// is not there.
func TestLinesAreComparedAfterAnUncleanStop(t *testing.T) {
	trail := (&indextest.Trail{}).Reopened()
	r := newRig(t, trail)
	r.receive(r.device, "GONE", "STALE", "LOST", "GOOD")
	r.device.Write(&pb.BagDiscarded{Bag: "GONE", Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	for i := range 2 * mostWrong {
		r.receive(r.device, fmt.Sprintf("MORE%d", i))
	}
	r.catchUp()
	key := func(id string) event.Key { return event.Key{Kind: event.KindBag, ID: id} }
	at := func(id string) []byte { return termKey(ledger.TermPlace("CLINIC"), key(id)) }
	good := []byte(r.rows(string(at("GOOD")))[string(at("GOOD"))])
	require.Greater(t, len(good), len(noLine))
	require.NoError(t, trail.Update(func(w index.Writer) error {
		for i := range 2 * mostWrong {
			require.NoError(t, w.Set(at(fmt.Sprintf("MORE%d", i)), good))
		}
		require.NoError(t, w.Set(at("GONE"), good))
		require.NoError(t, w.Set(at("STALE"), good))
		return w.Delete(at("LOST"))
	}))
	before := r.digest()
	again := r.again(trail.Reopened(), func(o *Options) { o.Unclean = true })
	again.requireRebuilt()
	require.Equal(t, before, again.digest())
}

// A list of bags in stock has of each the line without its books, and one of those that
// have gone the whole line.
func TestListsInStockReadTheShortLine(t *testing.T) {
	r := newRig(t, index.NewMemory())
	r.receive(r.device, "HERE", "GONE")
	r.device.Write(&pb.BagDiscarded{Bag: "GONE", Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	r.catchUp()
	require.NoError(t, r.View(t.Context(), func(v *Snapshot) error {
		var lines []*ledger.BagLine
		add := func(f Found) (bool, error) {
			line, err := ledger.DecodeBagLine(f.Line)
			lines = append(lines, line)
			return true, err
		}
		for _, term := range []string{ledger.TermStock, ledger.TermPlace("CLINIC")} {
			require.NoError(t, v.FindLines(term, add))
		}
		require.NoError(t, v.Newest(ledger.TermGone, "", add))
		require.Len(t, lines, 3)
		for _, line := range lines[:2] {
			require.Equal(t, "HERE", line.ID)
			require.Equal(t, "H-1", line.Label.Batch)
			require.Empty(t, line.Books)
		}
		require.Equal(t, "GONE", lines[2].ID)
		require.NotEmpty(t, lines[2].Books)
		return nil
	}))
}
