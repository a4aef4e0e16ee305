package event

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A clock at or past the year 2100, here or on another laptop, does not end the
// order of what is written after: each record stands after what its device had seen.
func TestTheOrderGoesOnPast2100(t *testing.T) {
	late := time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro()
	for name, seen := range map[string]int64{
		"an honest clock": time.Date(2026, 11, 26, 3, 0, 0, 0, time.UTC).UnixMicro(), "the last of 2099": late - 1, "2100": late, "past it": late + 5, "the end of its range": math.MaxInt64,
	} {
		newest := AdoptHLC(0, seen)
		for _, wall := range []int64{0, late - 1, late, math.MaxInt64, math.MinInt64} {
			next := NextHLC(wall, newest)
			require.Greater(t, next, newest, "%s, wall clock %d", name, wall)
			require.Less(t, next, int64(math.MaxInt64)/2, "there is room to go on")
			newest = AdoptHLC(newest, next)
		}
	}
	require.Equal(t, late, NextHLC(math.MaxInt64, 0), "a wall clock past 2100 counts as 2100")
	require.EqualValues(t, 7, AdoptHLC(7, math.MinInt64))
}
