package exchange

import (
	"math"
	"slices"

	"thawtrail/internal/event"
)

// Mine is this side: its beliefs and what only it knows.
type Mine struct {
	Beliefs
	// Has looks into the store; with nil a fork below a tip is not seen.
	Has Has
	// Acked is what the hub of HubEpoch acknowledged to this side, ordered by log.
	Acked []LogTip
	// Enrolled says whether the practice enrolled a device; nil takes all.
	Enrolled func(DeviceID) bool
}

// Compare names every inequality between two sides: first what concerns the
// whole, then log by log in the order of log ids. The result is never empty: a
// single Same says that nothing differs.
func Compare(mine Mine, theirs Beliefs) []Difference {
	ds := compareSides(mine, theirs)
	for _, pair := range pairs(mine.Held, theirs.Held) {
		ds = append(ds, compareLog(mine, pair[0], pair[1])...)
	}
	ds = append(ds, lostByHub(mine, theirs)...)
	if len(ds) == 0 {
		return []Difference{{Kind: Same}}
	}
	return ds
}

func compareSides(mine Mine, theirs Beliefs) (ds []Difference) {
	say := func(is bool, k Kind) {
		if is {
			ds = append(ds, Difference{Kind: k})
		}
	}
	say(mine.Practice != "" && theirs.Practice != "" && mine.Practice != theirs.Practice, OtherPractice)
	say(theirs.Protocol < OldestProtocol, ProtocolTooOld)
	say(mine.Enrolled != nil && !mine.Enrolled(theirs.Device), DeviceUnknown)
	say(theirs.Protocol > mine.Protocol, NewerProtocol)
	say(theirs.Protocol < mine.Protocol && theirs.Protocol >= OldestProtocol, OlderProtocol)
	say(theirs.Fold != mine.Fold, FoldVersionDiffers)
	if off := minus(theirs.WallUs, mine.WallUs); off > ClockTolerance.Microseconds() || off < -ClockTolerance.Microseconds() {
		ds = append(ds, Difference{Kind: ClockApart, OffsetUs: off})
	}
	say(epochChanged(mine.Beliefs, theirs), HubEpochChanged)
	return ds
}

// minus is a less b, held inside what an int64 can say: a broken clock may claim
// any time.
func minus(a, b int64) int64 {
	d := a - b
	if (a >= 0) != (b >= 0) && (d >= 0) != (a >= 0) {
		if a >= 0 {
			return math.MaxInt64
		}
		return math.MinInt64
	}
	return d
}

func epochChanged(mine, theirs Beliefs) bool {
	return mine.Hub != theirs.Hub && mine.HubEpoch != "" && theirs.HubEpoch != "" && mine.HubEpoch != theirs.HubEpoch
}

// pairs walks two lists ordered by log side by side.
func pairs(mine, theirs []HeldLog) [][2]HeldLog {
	out := make([][2]HeldLog, 0, max(len(mine), len(theirs)))
	for len(mine) > 0 || len(theirs) > 0 {
		switch {
		case len(theirs) == 0 || len(mine) > 0 && mine[0].Log.Compare(theirs[0].Log) < 0:
			out = append(out, [2]HeldLog{mine[0], {Log: mine[0].Log}})
			mine = mine[1:]
		case len(mine) == 0 || mine[0].Log != theirs[0].Log:
			out = append(out, [2]HeldLog{{Log: theirs[0].Log}, theirs[0]})
			theirs = theirs[1:]
		default:
			out = append(out, [2]HeldLog{mine[0], theirs[0]})
			mine, theirs = mine[1:], theirs[1:]
		}
	}
	return out
}

// compareLog names what differs in one log. An own log is judged first: what it
// says must be acted on before this device writes again.
func compareLog(mine Mine, my, their HeldLog) (ds []Difference) {
	say := func(k Kind, from uint64) { ds = append(ds, Difference{Kind: k, Log: my.Log, From: from}) }
	if their.Tip().Seq > my.Tip().Seq || len(my.Tips) == 0 {
		if slices.Contains(mine.Own, my.Log) {
			say(TheyKnowMoreOfMyLog, after(my))
		}
		say(WeLack, after(my))
	}
	if seq, forked := forkSeen(my, their, mine.Has); forked {
		if slices.Contains(mine.Own, my.Log) {
			say(OwnLogDiffers, seq)
		}
		say(LogForked, seq)
	}
	if from, lack := lackedFrom(my, their, mine.Has); lack {
		say(TheyLack, from)
	}
	if r, ok := refillable(my.Missing, their); ok {
		say(WeMissRuns, r.From)
	}
	if r, ok := refillable(their.Missing, my); ok {
		say(TheyMissRuns, r.From)
	}
	return ds
}

// after is the first sequence number past the newest tip.
func after(h HeldLog) uint64 {
	if len(h.Tips) == 0 {
		return 0
	}
	return h.Tip().Seq + 1
}

// forkSeen finds a tip of theirs at a place where we hold other records only.
func forkSeen(my, their HeldLog, has Has) (seq uint64, forked bool) {
	for _, t := range their.Tips {
		if len(my.Tips) > 0 && t.Seq <= my.Tip().Seq && !holds(my, has, t) {
			return t.Seq, true
		}
	}
	return 0, false
}

// lackedFrom is the first sequence number from which the other side may lack
// records that are held here. Records that it holds already are sent again only
// where a fork leaves no better way: the receiver skips them.
//
// What a side holds is closed under "the record before". So where they name a
// tip that we hold, they hold all that leads to it. A log without a fork is sent
// from past that tip. If they name only tips that are strange to us at or below
// ours, the branching place is unknown and the log is sent whole: once, for
// afterwards they name our tip too. If we hold the fork, then as many tips of
// theirs as of ours, all held here, are one on each of our branches, and we send
// from past the lowest; else from the fork.
func lackedFrom(my, their HeldLog, has Has) (from uint64, lack bool) {
	switch {
	case len(my.Tips) == 0 || covers(my, their):
		return 0, false
	case len(their.Tips) == 0:
		return 0, true
	}
	known, strange, lowest := 0, false, uint64(math.MaxUint64)
	for _, t := range their.Tips {
		switch {
		case holds(my, has, t):
			known++
			if !slices.Contains(my.Tips, t) {
				lowest = min(lowest, t.Seq)
			}
		case t.Seq <= my.Tip().Seq:
			strange = true
		}
	}
	forked := len(my.Tips) > 1
	switch {
	case known == 0:
		return 0, forked || strange // not strange: they are simply ahead
	case !forked || known == len(their.Tips) && known == len(my.Tips):
		return lowest + 1, true
	}
	return min(lowest, max(my.Fork, 1)-1) + 1, true
}

// covers says that they name every tip of ours.
func covers(my, their HeldLog) bool {
	return !slices.ContainsFunc(my.Tips, func(t Tip) bool { return !slices.Contains(their.Tips, t) })
}

// refillable finds the first missing run that the other side can give, from its
// first record on: a run that starts later would not join what is held.
func refillable(missing []SeqRange, giver HeldLog) (SeqRange, bool) {
	for _, r := range missing {
		if len(giver.Tips) > 0 && giver.Tip().Seq >= r.From && !anyHas(giver.Missing, r.From) {
			return r, true
		}
	}
	return SeqRange{}, false
}

// Gives says that who holds these logs, ordered by log, can give the record at a place
// of one, or of a fork another one at that place. It also gives what is held of it.
func Gives(held []HeldLog, log event.LogID, seq uint64) (HeldLog, bool) {
	h, ok := Find(held, log)
	return h, ok && len(h.Tips) > 0 && seq <= h.Tip().Seq && !anyHas(h.Missing, seq)
}

// lostByHub names the logs of which a hub, in the same epoch, holds less than it
// had acknowledged to us.
func lostByHub(mine Mine, theirs Beliefs) (ds []Difference) {
	if !theirs.Hub || mine.HubEpoch == "" || mine.HubEpoch != theirs.HubEpoch {
		return nil
	}
	for _, acked := range mine.Acked {
		h, ok := Find(theirs.Held, acked.Log)
		if !ok || h.Tip().Seq < acked.Seq {
			ds = append(ds, Difference{Kind: HubLostData, Log: acked.Log, From: after(h)})
		}
	}
	return ds
}
