package store

import (
	"time"

	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// measurement is what was found out about this machine's clock at a hello.
type measurement struct {
	*pb.ClockOffset
	monotonic time.Duration // when, by the clock that nobody can set
	known     bool          // the monotonic time is of this run of the program
}

// offsetName is where the last measurement is kept over a restart.
const offsetName = "clock_offset"

// setAfter is how far wall clock and monotonic clock may come apart before the wall
// clock counts as set, and not as drifting (ours).
const setAfter = time.Minute

// longAgo is how long after a restart a clock that was far behind is not believed to
// have been left so: it says by then what a clock would that was set right (ours).
const longAgo = 7 * 24 * time.Hour

// SetClockOffset keeps the last measurement of this clock against the hub's; it
// stands in every header from now on. Over a restart it is kept as far as the index
// lasts: the next hello measures again.
func (s *Store) SetClockOffset(o *pb.ClockOffset) {
	s.author.setOffset(measurement{o, s.opt.Clock.Monotonic(), true})
	raw, err := proto.Marshal(o)
	if err == nil {
		err = s.SetLocal(offsetName, raw)
	}
	if err != nil {
		s.opt.Logger.Warn("what was measured of the clock is not kept over a restart", "error", err)
	}
}

// restoreOffset takes up what an earlier run measured.
func (s *Store) restoreOffset() error {
	raw, err := s.Local(offsetName)
	if err != nil || raw == nil {
		return err
	}
	o := &pb.ClockOffset{}
	if err := proto.Unmarshal(raw, o); err != nil {
		s.opt.Logger.Warn("what was measured of the clock cannot be read; the next hello measures again", "error", err)
		return nil
	}
	s.author.setOffset(measurement{ClockOffset: o})
	return nil
}

// ClockOffset is how far this clock stands from the hub's, by the last measurement
// and by how the clock was set since; nil when nothing is known.
func (s *Store) ClockOffset() *pb.ClockOffset {
	m := s.author.measured()
	if m.ClockOffset == nil {
		return nil
	}
	passed := s.opt.Clock.Now().Sub(time.UnixMicro(m.MeasuredUs))
	if !m.known {
		return m.afterRestart(passed)
	}
	set := passed - (s.opt.Clock.Monotonic() - m.monotonic)
	if -setAfter < set && set < setAfter {
		return m.ClockOffset
	}
	return &pb.ClockOffset{
		OffsetUs: m.OffsetUs - set.Microseconds(), BoundUs: m.BoundUs, MeasuredUs: m.MeasuredUs + set.Microseconds(),
	}
}

// afterRestart is what an earlier run's measurement still says. Whether the clock was
// set in between shows only where it was set far: back behind the measurement, or on
// to the clinic's time.
func (m measurement) afterRestart(passed time.Duration) *pb.ClockOffset {
	behind := time.Duration(m.OffsetUs) * time.Microsecond
	if passed < -setAfter || behind > longAgo && passed > behind-longAgo {
		return nil
	}
	return m.ClockOffset
}
