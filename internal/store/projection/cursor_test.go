package projection

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
)

// After an unclean stop applying starts no later than at any update that tables
// in memory could still hold, whatever number of stops came before, and it does
// not start at the beginning for ever.
func TestCursorRewindsFarEnough(t *testing.T) {
	const behind = 1000
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 3))
		var c cursor
		type update struct {
			from  journal.Position
			bytes uint64
		}
		var open []update // what may not be on the disk yet, oldest first
		at := uint32(0)
		for range 6 {
			for range 5 + r.IntN(60) {
				u := update{c.pos, uint64(1 + r.IntN(120))}
				open = append(open, u)
				at++
				if r.IntN(4) == 0 {
					c = c.folded(u.bytes)
					continue
				}
				c = c.moved(journal.Position{Segment: 1, Offset: at}, u.bytes, behind)
			}
			size := uint64(0)
			for i := len(open) - 1; i >= 0; i-- {
				if size += open[i].bytes; size >= behind {
					open = open[i+1:]
					break
				}
			}
			value, err := c.encode()
			require.NoError(t, err)
			stored, ok, err := decodeCursor(value)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, c, stored)
			before := c.pos
			c = c.rewound(behind)
			require.LessOrEqual(t, c.pos.Compare(before), 0)
			for _, u := range open {
				require.LessOrEqual(t, c.pos.Compare(u.from), 0, "seed %d: applying starts behind an update that may be lost", seed)
			}
			at = c.pos.Offset
		}
		for range 200 {
			at++
			c = c.moved(journal.Position{Segment: 1, Offset: at}, 50, behind)
		}
		require.Greater(t, c.rewound(behind).pos.Offset, at-3*behind/50, "not further back than needed")
	}
}
