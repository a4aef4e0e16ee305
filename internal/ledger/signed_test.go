package ledger_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestTheFirstSignatureStands, whoever hears of which one first.
func TestTheFirstSignatureStands(t *testing.T) {
	w := ledgertest.New(t)
	barn, clinic := w.Device("barn"), w.Device("clinic")
	clamp := barn.Write(&pb.FlowChanged{Case: "C1"})
	look := barn.Write(&pb.VitalsNoted{Case: "C1"})
	sign := func(d *ledgertest.Device, by string) *event.Record {
		return d.Write(&pb.Signed{Records: []string{clamp.Hash.String()}}, ledgertest.By(by, nil), ledgertest.Touching(clamp.Touches()...))
	}
	key := event.Key{Kind: event.KindCase, ID: "C1"}
	story := func() map[event.Hash]ledger.Entry {
		out := map[event.Hash]ledger.Entry{}
		for _, e := range ledgertest.Fold(key, w.Records()).Story() {
			out[e.Record] = e
		}
		return out
	}
	require.True(t, story()[clamp.Hash].Marks.Has(ledger.MarkUnsigned))
	require.Contains(t, ledger.Terms(ledgertest.Fold(key, w.Records())), ledger.TermUnsigned)

	first := sign(clinic, "reed")
	sign(barn, "moss")
	require.Equal(t, "reed", story()[clamp.Hash].Author)
	require.False(t, story()[clamp.Hash].Marks.Has(ledger.MarkUnsigned))
	require.Empty(t, story()[look.Hash].Author, "the other one still waits")
	c := ledgertest.Fold(key, w.Records()).(*ledger.Case)
	require.Equal(t, "reed", c.Flows[0].Stamp.Author)

	// Taken off by a correction, it leaves the place to the next.
	clinic.Correct(first, nil)
	require.Equal(t, "moss", story()[clamp.Hash].Author)

	// What never happened waits for nobody.
	barn.Correct(look, nil)
	require.NotContains(t, ledger.Terms(ledgertest.Fold(key, w.Records())), ledger.TermUnsigned)
}
