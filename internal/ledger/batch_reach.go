package ledger

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// # Could they have known?
//
// The question is about the moment of hanging, not about the moment of typing. A
// start that was entered when it happened is itself the moment: what its device had
// seen by that record decides, whatever its clock says. For one that was typed later
// the device's clock decides, corrected by what was measured of it. What is known of
// a device are points in its own time at which it had, or had not, seen the hold:
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

// afterHolds finds the starts that lie after a hold which stood then. Where it is in
// doubt which came first, nobody knows what they could have known.
func (b *Batch) afterHolds(s *set) {
	facts := map[event.Hash]*fact{}
	for _, f := range s.facts {
		facts[f.id] = f
	}
	for i := range b.Starts {
		start := &b.Starts[i]
		sf := facts[start.Stamp.Record]
		for j := range b.Holds {
			hf := facts[b.Holds[j].Stamp.Record]
			stood := s.stood(&b.Holds[j], sf, facts)
			if stood == no {
				continue
			}
			after := AfterHold{Hold: hf.id, Reached: HoldUnknown}
			if stood == yes {
				after.Reached = s.reached(sf, hf)
			}
			start.After = append(start.After, after)
			s.claim(claim{
				kind: GivenAfterHold, atMs: sf.atMs, reached: after.Reached,
				records: append(sf.sources(), hf.sources()...),
			})
		}
	}
}

// stood answers whether a hold stood when a bag was hung: placed before, and not
// released before.
func (s *set) stood(hold *Hold, start *fact, facts map[event.Hash]*fact) order {
	stood := s.first(facts[hold.Stamp.Record], start)
	for i := range hold.Released {
		switch s.first(facts[hold.Released[i].Stamp.Record], start) {
		case yes:
			return no
		case doubt:
			if stood == yes {
				stood = doubt
			}
		}
	}
	return stood
}

// point is what is known of a device at one moment of its own clock, corrected.
type point struct {
	ms, hlcUs int64
	seen      bool
}

// reached answers whether the hold had reached the device at the hanging.
func (s *set) reached(start, hold *fact) string {
	if start.live() {
		if s.knew(start.rec, hold.rec) {
			return HoldReached
		}
		return HoldNotReached
	}
	points, at := s.points(start.rec, hold), start.reading()
	if at.doubt || clockWentBack(points) {
		return HoldUnknown
	}
	// The hour may be the laptop's, or that of a watch.
	watch := start.atMs + event.WholeDaysMs(at.ms-start.atMs)
	answer := reachedAt(points, at.ms)
	if reachedAt(points, watch) != answer {
		return HoldUnknown
	}
	return answer
}

func reachedAt(points []point, at int64) string {
	next := slices.IndexFunc(points, func(p point) bool { return p.ms > at })
	if next < 0 {
		next = len(points)
	}
	switch {
	case next > 0 && points[next-1].seen:
		return HoldReached
	case next > 0 && points[next-1].ms == at:
		return HoldNotReached
	case next < len(points) && !points[next].seen:
		return HoldNotReached
	}
	return HoldUnknown
}

// clockWentBack says that the device had seen the hold and later, by its clock, had
// not: the clock was set back in between, and its times tell nothing.
func clockWentBack(sorted []point) bool {
	seen := slices.IndexFunc(sorted, func(p point) bool { return p.seen })
	return seen >= 0 && slices.ContainsFunc(sorted[seen:], func(p point) bool { return !p.seen })
}

// points lists what is known of the device that wrote rec, by its clock, corrected.
func (s *set) points(rec *event.Record, hold *fact) []point {
	var points []point
	heard := false
	for i := range s.inputs {
		in := &s.inputs[i]
		if !sameDevice(in.Rec, rec) {
			continue
		}
		h := in.Rec.Head
		off, _, _ := event.MeasuredMs(h.Offset)
		if p, ok := in.Payload.(*pb.Heard); ok && !heard && holds(in, hold.rec) && p.PreviousWallUs != 0 {
			points = append(points, point{p.PreviousWallUs/1000 + off, h.HlcUs - 1, false})
		}
		heard = heard || holds(in, hold.rec)
		points = append(points, point{h.WallUs/1000 + off, h.HlcUs, heard})
	}
	slices.SortFunc(points, func(a, b point) int {
		return cmp.Or(cmp.Compare(a.ms, b.ms), cmp.Compare(a.hlcUs, b.hlcUs))
	})
	return points
}
