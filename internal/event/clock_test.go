package event

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
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

// A clock that is off by minutes counts as off; by less, or by what no clock can be
// off by, it does not.
func TestOffMs(t *testing.T) {
	minute := time.Minute.Microseconds()
	for _, tt := range []struct{ off, bound, want int64 }{
		{0, 0, 0},
		{5 * minute, 0, 0},
		{5*minute + 1000, 0, 300_001},
		{-5*minute - 1000, 0, -300_001},
		{9 * minute, 4 * minute, 0},
		{10 * minute, 4 * minute, 600_000},
		{10 * minute, -90 * minute, 600_000},
		{10 * minute, math.MaxInt64, 0},
		{math.MaxInt64, 0, 0},
		{math.MinInt64, math.MinInt64, 0},
	} {
		require.Equal(t, tt.want, OffMs(&pb.ClockOffset{OffsetUs: tt.off, BoundUs: tt.bound}), "%+v", tt)
	}
	require.Zero(t, OffMs(nil))
}

// What happened now is moved by all that the clock is off by. Of what was typed the
// day is the laptop's, and the hour may be from a watch: the earlier reading counts.
func TestToldOffMs(t *testing.T) {
	const hour = 60 * 60 * 1000
	for _, tt := range []struct{ off, now, typed int64 }{
		{0, 0, 0},
		{hour, hour, 0},
		{-hour, -hour, -hour},
		{365 * dayMs, 365 * dayMs, 365 * dayMs},
		{365*dayMs + hour, 365*dayMs + hour, 365 * dayMs},
		{365*dayMs - hour, 365*dayMs - hour, 365*dayMs - hour},
		{-365*dayMs - hour, -365*dayMs - hour, -365*dayMs - hour},
		{-365*dayMs + hour, -365*dayMs + hour, -365 * dayMs},
	} {
		r := &Record{Head: &pb.Header{Offset: &pb.ClockOffset{OffsetUs: tt.off * 1000}}}
		require.Equal(t, tt.now, r.ToldOffMs(&pb.Moment{Source: pb.TimeSource_TIME_SOURCE_NOW}), "%+v", tt)
		require.Equal(t, tt.typed, r.ToldOffMs(&pb.Moment{Source: pb.TimeSource_TIME_SOURCE_TYPED}), "%+v", tt)
	}
}
