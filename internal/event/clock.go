package event

import "time"

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
// seen, or after the hub's receipt, before the time is in doubt.
const DoubtAfter = 5 * time.Minute

// TimeInDoubt says that the record's wall clock stands before the newest hub
// statement that its device had seen.
func (r *Record) TimeInDoubt() bool {
	return r.Head.HubUs != 0 && r.Head.WallUs < r.Head.HubUs-DoubtAfter.Microseconds()
}
