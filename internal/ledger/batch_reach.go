package ledger

import (
	"bytes"
	"cmp"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// # Could they have known?
//
// The question is about the moment of hanging, by the clock of the device that
// wrote the start, not about the moment of typing. What is known of a device are
// points in its own time at which it had, or had not, seen the hold:
//
//	its record that says it heard of the hold      seen
//	its last record before that                    not seen
//	every other record of it in this batch         seen, if written after it heard
//
// If the last point at or before the hanging had seen the hold, it had reached
// this laptop. If the next point had not, it had not. Else nobody knows.
//
// Every header names its device, so a device's logs, of both lanes and of every
// epoch, are taken together. A device's own hold counts as heard, and so does a
// record whose header says that the hold's log had reached it.

// afterHolds finds the starts that lie after a hold which stood then.
func (b *Batch) afterHolds(s *set) {
	facts := map[event.Hash]*fact{}
	for _, f := range s.facts {
		facts[f.id] = f
	}
	for i := range b.Starts {
		start := &b.Starts[i]
		for j := range b.Holds {
			hold := &b.Holds[j]
			if !hold.standsAt(start.Stamp.AtMs) {
				continue
			}
			sf, hf := facts[start.Stamp.Record], facts[hold.Stamp.Record]
			after := AfterHold{Hold: hf.id, Reached: s.reached(sf, hf)}
			start.After = append(start.After, after)
			s.claim(claim{
				kind: GivenAfterHold, atMs: sf.atMs, reached: after.Reached,
				records: append(sf.sources(), hf.sources()...),
			})
		}
	}
}

// point is what is known of a device at one moment of its own clock.
type point struct {
	wallMs, hlcUs int64
	seen          bool
}

// reached answers whether the hold had reached the device at the hanging.
func (s *set) reached(start, hold *fact) string {
	points := s.points(start.rec, hold)
	at, wall := start.atMs, start.rec.Head.WallUs/1000
	if at == wall && start.by.IsZero() {
		// Typed as it happened: the record itself is the moment.
		return ofPoint(points[slices.IndexFunc(points, func(p point) bool { return p.hlcUs == start.rec.Head.HlcUs })])
	}
	if clockWentBack(points) {
		return HoldUnknown
	}
	next := slices.IndexFunc(points, func(p point) bool { return p.wallMs > at })
	if next < 0 {
		next = len(points)
	}
	switch {
	case next > 0 && points[next-1].seen:
		return HoldReached
	case next > 0 && points[next-1].wallMs == at:
		return HoldNotReached
	case next < len(points) && !points[next].seen:
		return HoldNotReached
	}
	return HoldUnknown
}

func ofPoint(p point) string {
	if p.seen {
		return HoldReached
	}
	return HoldNotReached
}

// clockWentBack says that the device had seen the hold and later, by its wall
// clock, had not: its clock was set back in between, and its times tell nothing.
func clockWentBack(sorted []point) bool {
	seen := slices.IndexFunc(sorted, func(p point) bool { return p.seen })
	return seen >= 0 && slices.ContainsFunc(sorted[seen:], func(p point) bool { return !p.seen })
}

// points lists what is known of the device that wrote rec, by its wall clock.
func (s *set) points(rec *event.Record, hold *fact) []point {
	own := s.device(rec)
	heardUs, previousUs := heardAt(own, hold)
	var points []point
	for _, in := range own {
		h := in.Rec.Head
		points = append(points, point{h.WallUs / 1000, h.HlcUs, heardUs != 0 && h.HlcUs >= heardUs})
	}
	if previousUs != 0 {
		points = append(points, point{previousUs / 1000, heardUs - 1, false})
	}
	slices.SortFunc(points, func(a, b point) int {
		return cmp.Or(cmp.Compare(a.wallMs, b.wallMs), cmp.Compare(a.hlcUs, b.hlcUs))
	})
	return points
}

// heardAt is the hybrid clock of the device's first record that had seen the
// hold, and the wall clock at which it says it had not; 0 when there is none.
func heardAt(own []Input, hold *fact) (heardUs, previousUs int64) {
	for _, in := range own {
		heard, ok := in.Payload.(*pb.Heard)
		names := ok && bytes.Equal(heard.Hold, hold.id[:])
		if names {
			return in.Rec.Head.HlcUs, heard.PreviousWallUs
		}
		if in.Rec.Hash == hold.id || sawTip(in.Rec, hold.rec) {
			return in.Rec.Head.HlcUs, 0
		}
	}
	return 0, 0
}

// sawTip says that the record's device had just come to hold the hold's log at
// least as far as the hold.
func sawTip(rec, hold *event.Record) bool {
	return slices.ContainsFunc(rec.Head.Seen, func(t *pb.Tip) bool {
		return bytes.Equal(t.GetLog(), hold.Log[:]) && t.GetSeq() >= hold.Seq()
	})
}

// device lists the records in this set that the device of rec wrote, in written
// order: those whose header names it, and those of its log.
func (s *set) device(rec *event.Record) []Input {
	return slices.DeleteFunc(slices.Clone(s.inputs), func(in Input) bool {
		same := len(rec.Head.Device) > 0 && bytes.Equal(in.Rec.Head.Device, rec.Head.Device)
		return !same && in.Rec.Log != rec.Log
	})
}
