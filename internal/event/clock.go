package event

import (
	"time"

	pb "thawtrail/proto/thawtrail/v1"
)

// lastWall clips the wall clock at the year 2100: a broken clock must not push
// everybody's hybrid clock to the end of its range.
var lastWall = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro()

// farthest bounds the hybrid clock that is adopted: the year to which wall clocks
// are clipped and 35 years more. Nobody comes near by counting; without room
// above that year, one laptop that says 2100 would end the order of all that is
// written after.
var farthest = lastWall + 1<<50

// NextHLC is the hybrid clock of the next record: the wall clock, or one more
// than the newest adopted, whichever is later. Microseconds since 1970.
func NextHLC(wallUs, newestUs int64) int64 {
	return max(clip(wallUs), min(newestUs, farthest)+1)
}

// AdoptHLC is the newest hybrid clock after a record was seen.
func AdoptHLC(newestUs, seenUs int64) int64 { return max(newestUs, min(seenUs, farthest)) }

// clip keeps a time inside 1970 to 2100.
func clip(us int64) int64 { return min(max(us, 0), lastWall) }

// DoubtAfter is how far a wall clock may stand before a hub statement it has
// seen, or after the hub's receipt, before the time is in doubt; and how far it may
// be off by measurement, beyond the error of that, before it is told (ours).
const DoubtAfter = 5 * time.Minute

// TimeInDoubt says that the record's wall clock stands before the newest hub
// statement that its device had seen.
func (r *Record) TimeInDoubt() bool {
	return r.Head.HubUs != 0 && r.Head.WallUs < r.Head.HubUs-DoubtAfter.Microseconds()
}

// MeasuredMs is how far a clock was measured to be behind the clinic's, in
// milliseconds, and the error of that; ok is false where nothing was measured, or what
// no clock can be off by.
func MeasuredMs(o *pb.ClockOffset) (off, bound int64, ok bool) {
	off = o.GetOffsetUs()
	if o == nil || off < -lastWall || off > lastWall {
		return 0, 0, false
	}
	return off / 1000, max(0, o.GetBoundUs()) / 1000, true
}

// OffMs is what is to be added to a clock to tell the clinic's time: 0 within
// DoubtAfter and the error of the measurement.
func OffMs(o *pb.ClockOffset) int64 {
	off, bound, _ := MeasuredMs(o)
	if max(off, -off)-DoubtAfter.Milliseconds() <= bound {
		return 0
	}
	return off
}

// dayMs is a day.
const dayMs = 24 * 60 * 60 * 1000

// WholeDaysMs rounds a time to days. A clock that is off by hours shows nothing of it
// in an hour that was read from a watch, and typed.
func WholeDaysMs(ms int64) int64 {
	half := int64(dayMs / 2)
	if ms < 0 {
		half = -half
	}
	return (ms + half) / dayMs * dayMs
}

// ToldOffMs is how far a time that this record tells lies behind the clinic's time,
// by what was measured of its device's clock. An hour that a person typed may come
// from a watch, and then only the day was the laptop's: of both, the earlier time
// counts, since a bag is no fresher for it.
func (r *Record) ToldOffMs(told *pb.Moment) int64 {
	off := OffMs(r.Head.Offset)
	if told.GetSource() == pb.TimeSource_TIME_SOURCE_NOW {
		return off
	}
	return min(off, WholeDaysMs(off))
}
