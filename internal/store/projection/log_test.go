package projection

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// Two replicas that hold the same forked log name the same head and count the same
// records, whichever branch came to each first.
func TestTheHeadDoesNotDependOnWhatCameFirst(t *testing.T) {
	tip := func(seq uint64, b byte) exchange.Tip { return exchange.Tip{Seq: seq, Hash: event.Hash{b}} }
	for _, ends := range [][]exchange.Tip{
		{tip(1, 9), tip(3, 2)}, {tip(3, 2), tip(3, 7)}, {tip(4, 1), tip(2, 8), tip(4, 3)},
	} {
		var heads []exchange.Tip
		for first := range ends {
			l := LogInfo{Tip: ends[first]}
			for i, other := range ends {
				if i != first {
					l.Branches = append(l.Branches, other)
				}
			}
			heads = append(heads, l.Head())
			require.Equal(t, l.Head().Seq, l.Newest())
		}
		for _, h := range heads {
			require.Equal(t, heads[0], h)
			require.Contains(t, ends, h)
		}
	}
}
