package replication

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/exchange"
)

// TestGaps names what a file leaves out above what is held: from the file's first
// record, and in the runs that its writer lacks.
func TestGaps(t *testing.T) {
	held := func(tip uint64, missing ...exchange.SeqRange) exchange.HeldLog {
		return exchange.HeldLog{Tips: []exchange.Tip{{Seq: tip}}, Missing: missing}
	}
	for name, c := range map[string]struct {
		carried    exchange.HeldLog
		from, next uint64
		want       []exchange.SeqRange
	}{
		"whole, to nobody":              {held(9), 0, 0, nil},
		"whole, to one who has all":     {held(9), 0, 10, nil},
		"joins on":                      {held(9), 4, 4, nil},
		"overlaps":                      {held(9), 2, 4, nil},
		"begins too late":               {held(9), 6, 4, []exchange.SeqRange{{From: 4, To: 5}}},
		"begins late, to nobody":        {held(9), 3, 0, []exchange.SeqRange{{From: 0, To: 2}}},
		"the writer lacks a run":        {held(9, exchange.SeqRange{From: 3, To: 5}), 0, 0, []exchange.SeqRange{{From: 3, To: 5}}},
		"which the reader has":          {held(9, exchange.SeqRange{From: 3, To: 5}), 0, 6, nil},
		"of which the reader has a few": {held(9, exchange.SeqRange{From: 3, To: 5}), 0, 4, []exchange.SeqRange{{From: 4, To: 5}}},
	} {
		require.Equal(t, c.want, gaps(c.carried, c.from, c.next), name)
	}
}
