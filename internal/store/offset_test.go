package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// indexLeft is an index that outlives the store that used it.
type indexLeft struct{ index.Index }

func (indexLeft) Close() error { return nil }

// What was measured of a clock, what happened to the clock since, and what is then
// said of it: in hours, nothing being no word at all.
func TestClockOffset(t *testing.T) {
	const year = 365 * 24 * time.Hour
	restart := func(*clock.Manual) bool { return true }
	later := func(d time.Duration) func(*clock.Manual) bool {
		return func(c *clock.Manual) bool { c.Advance(d); return false }
	}
	set := func(d time.Duration) func(*clock.Manual) bool {
		return func(c *clock.Manual) bool { c.SetWall(c.Now().Add(d)); return false }
	}
	type steps = []func(*clock.Manual) bool
	for name, tt := range map[string]struct {
		behind time.Duration
		steps  steps
		want   time.Duration
		none   bool
	}{
		"just measured":                            {year, nil, year, false},
		"a day later":                              {year, steps{later(24 * time.Hour)}, year, false},
		"set right":                                {year, steps{later(time.Hour), set(year)}, 0, false},
		"set right from ahead":                     {-year, steps{later(time.Hour), set(-year)}, 0, false},
		"set wrong":                                {0, steps{later(time.Hour), set(-year)}, year, false},
		"drifted by seconds":                       {time.Hour, steps{set(3 * time.Second)}, time.Hour, false},
		"started again":                            {year, steps{later(time.Hour), restart, later(time.Hour)}, year, false},
		"started again, some minutes behind":       {10 * time.Minute, steps{restart, later(time.Hour)}, 10 * time.Minute, false},
		"set right while off, from ahead":          {-year, steps{restart, set(-year)}, 0, true},
		"set right while off, from behind":         {year, steps{restart, set(year + time.Hour)}, 0, true},
		"started again, ahead, and left as it was": {-year, steps{restart, later(48 * time.Hour)}, -year, false},
	} {
		t.Run(name, func(t *testing.T) {
			fs, ix := memfs.New(), index.NewMemory()
			opt := memoryOptions(70, fs, indexLeft{ix})
			c := opt.Clock.(*clock.Manual)
			s, err := Open(t.Context(), opt)
			require.NoError(t, err)
			require.Nil(t, s.ClockOffset(), "nothing is known before the first hello")
			measured := &pb.ClockOffset{OffsetUs: tt.behind.Microseconds(), BoundUs: 9, MeasuredUs: c.Now().UnixMicro()}
			s.SetClockOffset(measured)
			for _, step := range tt.steps {
				if step(c) {
					require.NoError(t, s.Close())
					opt.Random = chacha(71)
					s, err = Open(t.Context(), opt)
					require.NoError(t, err)
				}
			}
			defer func() { require.NoError(t, s.Close()) }()
			got := s.ClockOffset()
			recs, err := s.Append(t.Context(), founding())
			require.NoError(t, err)
			require.True(t, proto.Equal(got, recs[0].Head.Offset), "the header says the same")
			require.Equal(t, c.Now().UnixMicro(), recs[0].Head.WallUs, "the clock as it stood")
			if tt.none {
				require.Nil(t, got)
				return
			}
			require.Equal(t, tt.want.Microseconds(), got.OffsetUs)
			require.EqualValues(t, 9, got.BoundUs)
		})
	}
}
