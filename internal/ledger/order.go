package ledger

import (
	"bytes"
	"cmp"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// # Which came first?
//
// Two facts of two devices are ordered by what the devices had seen, where that
// proves it: a fact that was entered when it happened came after all that its device
// held by then, and before all whose devices held its record. Where nothing proves
// it, their clocks are compared, each corrected by what was measured of it. There is
// doubt when the difference lies within the errors, when a clock that nobody measured
// stands before a time that its device had seen a server state, and when a clock that
// nobody measured contradicts the written order, which knows what each had seen.

// order is the answer to 'did it come first'.
type order int8

const (
	no order = iota
	yes
	doubt
)

// first answers whether a came first of a and b.
func (s *set) first(a, b *fact) order {
	switch {
	case b.live() && s.knew(b.rec, a.rec):
		return yes
	case a.live() && b.past() && s.knew(a.rec, b.clock):
		return no
	}
	x, y := a.reading(), b.reading()
	if apart := max(x.ms-y.ms, y.ms-x.ms); x.errMs+y.errMs > 0 && apart <= x.errMs+y.errMs || x.doubt || y.doubt {
		return doubt
	}
	before := x.ms <= y.ms
	if !(x.measured && y.measured) && a.live() && b.live() && before != (compareKnown(a, b) < 0) {
		return doubt
	}
	if before {
		return yes
	}
	return no
}

// live says that the fact was entered when it happened: its record is the moment.
func (f *fact) live() bool {
	const apartMs = 5 * 60 * 1000 // between the question and the save (ours)
	h := f.rec.Head
	apart := f.atMs - h.WallUs/1000
	return f.by.IsZero() && h.OccurredAt.GetSource() == pb.TimeSource_TIME_SOURCE_NOW && -apartMs <= apart && apart <= apartMs
}

// past says that the fact had happened when the record that tells its time was
// written.
func (f *fact) past() bool { return f.live() || f.atMs <= f.clock.Head.WallUs/1000 }

// reading is when a fact happened by the clinic's time, as well as that is known.
type reading struct {
	ms, errMs int64
	measured  bool
	doubt     bool // nobody measured the clock, and it is known to be wrong
}

func (f *fact) reading() reading {
	off, bound, measured := event.MeasuredMs(f.clock.Head.Offset)
	r := reading{ms: f.atMs + off, errMs: bound, measured: measured, doubt: !measured && f.clock.TimeInDoubt()}
	if !f.live() {
		// Typed: the hour may be from a watch.
		watch := event.WholeDaysMs(off)
		r.errMs += max(off-watch, watch-off)
	}
	return r
}

// compareKnown compares two facts in written order, by the hybrid clock. Where a
// measured clock made that, and nothing that its device had seen, the clock is
// corrected.
func compareKnown(a, b *fact) int {
	return cmp.Or(cmp.Compare(a.knownUs(), b.knownUs()), event.CompareWritten(a.rec, b.rec))
}

func (f *fact) knownUs() int64 {
	r, h := f.reading(), f.rec.Head
	switch {
	case !r.measured:
		return h.HlcUs
	case h.HlcUs <= h.WallUs:
		return r.ms * 1000
	}
	return max(h.HlcUs, r.ms*1000)
}

// knew says that the device that wrote rec held another record by then.
func (s *set) knew(rec, other *event.Record) bool {
	for i := range s.inputs {
		in := &s.inputs[i]
		if in.Rec.Head.HlcUs > rec.Head.HlcUs {
			return false
		}
		if sameDevice(in.Rec, rec) && holds(in, other) {
			return true
		}
	}
	return false
}

// holds says that an entry shows that its device held a record: it is the entry
// itself, the entry says to have heard of it, or its header names it as seen.
func holds(in *Input, other *event.Record) bool {
	heard, ok := in.Payload.(*pb.Heard)
	return in.Rec.Hash == other.Hash || ok && bytes.Equal(heard.Hold, other.Hash[:]) || sawTip(in.Rec, other)
}

// sawTip says that the record's device had just come to hold another record's log at
// least as far as that.
func sawTip(rec, other *event.Record) bool {
	return slices.ContainsFunc(rec.Head.Seen, func(t *pb.Tip) bool {
		return bytes.Equal(t.GetLog(), other.Log[:]) && t.GetSeq() >= other.Seq()
	})
}

// sameDevice says that one device wrote both: their headers name it, or they stand in
// one log.
func sameDevice(a, b *event.Record) bool {
	return a.Log == b.Log || len(a.Head.Device) > 0 && bytes.Equal(a.Head.Device, b.Head.Device)
}
