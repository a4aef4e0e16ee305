package store

import (
	"log/slog"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
)

// More stretches that cannot be read than are remembered one by one: each is noticed, none
// is forgotten, and what heals of them is seen.
func TestMoreHolesThanAreRemembered(t *testing.T) {
	d := damageReport{logger: slog.New(slog.DiscardHandler)}
	hole := func(i uint32) journal.Range {
		at := journal.Position{Segment: 1 + i%7, Offset: 1000 * (1 + i)}
		return journal.Range{From: at, To: journal.Position{Segment: at.Segment, Offset: at.Offset + 100}, Reason: "test"}
	}
	const many = 3 * maxHoles / 2
	for i := range uint32(many) {
		require.True(t, d.addHole(hole(i)), i)
		require.LessOrEqual(t, d.standing(), maxHoles)
	}
	for i := range uint32(many) {
		require.False(t, d.addHole(hole(i)), "it is known")
		require.True(t, d.anyAfter(hole(i).From))
	}
	require.False(t, d.heal(func(r journal.Range) []journal.Range { return []journal.Range{r} }))
	// All but ten of them can be read again.
	left := func(r journal.Range) (out []journal.Range) {
		for i := range uint32(10) {
			if r.Contains(hole(i)) {
				out = append(out, hole(i))
			}
		}
		return out
	}
	require.True(t, d.heal(left))
	require.Equal(t, 10, d.standing())
	require.False(t, d.heal(left))
	require.True(t, slices.ContainsFunc(d.holes, func(r journal.Range) bool { return r.Contains(hole(9)) }))
	require.True(t, d.addHole(hole(11)), "damage that comes where the disk was well again is new")
}
