package ledger

import (
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// BagLine is what lists and sums need of a bag. It follows from the bag's state
// alone and is kept beside it, so that a question about many bags does not read
// their whole histories.
type BagLine struct {
	ID      string
	Label   *BagLabel // as in Bag
	Place   string
	Ended   string
	GivenMl int32
	Clocks  *Clocks // nil for a bag that stayed frozen
	Stays   []Stay  // where it lay, in happened order
	Judged  []Judged
	Settled bool   // its rest was thrown away, kept back, sent to the maker or put into a fridge
	Torn    bool   // its label could not be read
	Aside   string // and the record that set it aside for that, hex
	Arrived string // the delivery that set it aside as it arrived, hex
	Given   []GivenTo
	// Books are its BagBooks as they are packed: lists of what is in stock do not read them.
	Books string
}

// BagBooks are what sums over time need of a bag.
type BagBooks struct {
	Moves  []LineMove
	Doses  []Dose
	Thrown []Thrown
	Counts []LineCount
}

// LineCount is a count of a place that saw the bag, or missed it there.
type LineCount struct {
	AtMs   int64
	Record event.Hash
	Place  string
	Seen   bool
}

// LineMove is a move of the bag, as in Bag.
type LineMove struct {
	AtMs   int64
	Author string
	How    string
	Reason pb.DiscardReason // of a discarded bag
	From   string
	To     string
	Was    bool
	Is     bool
}

// Dose is what one transfusion gave of the bag: it belongs to who began it, and to when.
type Dose struct {
	AtMs   int64
	Author string
	Place  string // from which the bag was taken
	Case   string
	Ml     int32
	Ended  bool
	EndMs  int64 // 0: no end was told
}

// Thrown is what was told to be thrown away of a bag, whole or its rest.
type Thrown struct {
	AtMs   int64
	Record event.Hash
	Author string
	Reason pb.DiscardReason
	Ml     *int32 // nil when nobody told
}

// Clocks are the moments from which a bag's time runs, by the clinic's time; 0 for
// none.
type Clocks struct {
	SoftenedMs    int64 // first
	Refrozen      bool
	RefrozenMs    int64 // first
	ThawStartedMs int64 // earliest
	ThawedMs      int64 // first
	SetMs         int64 // earliest, a start included
	KeptAtDc      *int32
	ForCase       string // of the last thaw
}

// Stay is a stay at a place, by the clinic's time, until the next one.
type Stay struct {
	Place  string
	FromMs int64
}

// Judged is a person's decision after one warm place, on a label or on how a bag arrived.
type Judged struct {
	Warm   string // the record of the warm place, or of the label, hex
	AtMs   int64
	Unfit  bool
	Reason string
}

// InStock says that the bag can still be looked for at its place.
func (l *BagLine) InStock() bool { return l.Ended == "" && l.Label != nil }

// Line is the bag as lists need it.
func (b *Bag) Line() *BagLine {
	l := &BagLine{
		ID: b.Entity.ID, Label: b.Label, Place: b.Place, Ended: b.Ended, GivenMl: b.GivenMl, Clocks: b.clocks(), Given: b.Given,
		Settled: b.settled(), Torn: len(b.Torn) > 0, Aside: b.SetAside(), Arrived: b.ArrivedAside(),
	}
	for _, s := range b.Custody {
		l.Stays = append(l.Stays, Stay{Place: s.Place, FromMs: s.FromMs + s.OffMs})
	}
	for _, d := range b.Decisions {
		l.Judged = append(l.Judged, Judged{Warm: d.Warm, AtMs: d.Stamp.AtMs, Unfit: d.Unfit, Reason: d.Reason})
	}
	return l
}

// settled says that somebody decided on what is left of the bag.
func (b *Bag) settled() bool {
	return len(b.Fridge) > 0 || slices.ContainsFunc(b.Ends, func(e BagEnd) bool {
		return e.How == EndDiscarded || e.How == EndKeptBack || e.How == EndReturned
	})
}

// books is what sums over time need of the bag.
func (b *Bag) books() *BagBooks {
	out := &BagBooks{}
	for _, m := range b.Moves {
		out.Moves = append(out.Moves, LineMove{
			AtMs: m.Stamp.AtMs, Author: m.Stamp.Author, How: m.How, Reason: b.reasonOf(m), From: m.From, To: m.To, Was: m.Was, Is: m.Is,
		})
	}
	for i := range b.Uses {
		u := &b.Uses[i]
		at := u.at()
		d := Dose{AtMs: at.AtMs, Author: at.Author, Place: b.takenFrom(), Case: u.Case, Ml: u.CountedMl, Ended: u.End != nil}
		if d.Ended {
			d.EndMs = u.End.AtMs
		}
		out.Doses = append(out.Doses, d)
	}
	for _, c := range b.Counts {
		out.Counts = append(out.Counts, LineCount{AtMs: c.Stamp.AtMs, Record: c.Stamp.Record, Place: c.Place, Seen: c.Seen})
	}
	for _, e := range b.Ends {
		if e.How == EndDiscarded {
			out.Thrown = append(out.Thrown, Thrown{AtMs: e.Stamp.AtMs, Record: e.Stamp.Record, Author: e.Stamp.Author, Reason: e.Reason, Ml: e.VolumeMl})
		}
	}
	return out
}

// takenFrom is the place from which the bag left the stock to be given, as the moves
// have it: what a laptop held when an entry was typed afterwards is no evidence.
func (b *Bag) takenFrom() string {
	i := slices.IndexFunc(b.Moves, func(m Move) bool { return m.How == EndGiven })
	if i < 0 {
		return b.Place
	}
	return b.Moves[i].From
}

// reasonOf is why a bag was discarded by a move.
func (b *Bag) reasonOf(m Move) pb.DiscardReason {
	for _, e := range b.Ends {
		if m.How == EndDiscarded && e.Stamp.Record == m.Stamp.Record {
			return e.Reason
		}
	}
	return pb.DiscardReason_DISCARD_REASON_UNSPECIFIED
}

// clocks takes the earliest of each, since the earliest clock wins.
func (b *Bag) clocks() *Clocks {
	c := Clocks{Refrozen: len(b.Refrozen) > 0}
	if len(b.Softened) > 0 {
		c.SoftenedMs = b.Softened[0].ClinicMs()
	}
	if c.Refrozen {
		c.RefrozenMs = b.Refrozen[0].ClinicMs()
	}
	for _, t := range b.Thaws {
		earliest(&c.ThawStartedMs, t.Stamp.ClinicMs())
		if t.Complete != nil && c.ThawedMs == 0 {
			c.ThawedMs = t.Complete.ClinicMs()
		}
		c.ForCase = t.Case
	}
	for _, s := range b.Sets {
		earliest(&c.SetMs, s.Stamp.ClinicMs())
	}
	for _, u := range b.Uses {
		if u.Start != nil {
			earliest(&c.SetMs, u.Start.ClinicMs())
		}
	}
	if n := len(b.Fridge); n > 0 {
		c.KeptAtDc = b.Fridge[n-1].KeptAtDc
	}
	if c == (Clocks{}) {
		return nil
	}
	return &c
}

func earliest(ms *int64, at int64) {
	if *ms == 0 || at < *ms {
		*ms = at
	}
}

// Before is where the bag lay just before a moment, and whether it was in the stock.
func (b *BagBooks) Before(ms int64) (place string, in bool) {
	last, ok := b.lastMove(ms)
	return last.To, ok && last.Is
}

// LeftFrom is the place where the bag lay at a moment, or from which it had left the stock.
func (b *BagBooks) LeftFrom(ms int64) string {
	last, _ := b.lastMove(ms + 1)
	if last.Is {
		return last.To
	}
	return last.From
}

// lastMove is the last move before a moment.
func (b *BagBooks) lastMove(ms int64) (LineMove, bool) {
	n := 0
	for n < len(b.Moves) && b.Moves[n].AtMs < ms {
		n++
	}
	if n == 0 {
		return LineMove{}, false
	}
	return b.Moves[n-1], true
}
