package ledger

import (
	"fmt"

	"github.com/fxamacker/cbor/v2"
)

// BagLine is what lists and sums need of a bag. It follows from the bag's state
// alone and is kept beside it, so that a question about many bags does not read
// their whole histories.
type BagLine struct {
	_        struct{} `cbor:",toarray"`
	ID       string
	Label    *BagLabel // as in Bag
	Place    string
	Ended    string
	GivenMl  int32
	Received *Told   // its first receipt; nil when nobody entered one
	Left     *Told   // the last way in which it left the stock
	Clocks   *Clocks // nil for a bag that stayed frozen
	Stays    []Stay  // where it lay, in happened order
	Judged   []Judged
	Given    []GivenTo
}

// Told is who said that something happened, when and where.
type Told struct {
	_      struct{} `cbor:",toarray"`
	AtMs   int64
	Author string
	Place  string
}

// Clocks are the moments from which a bag's time runs, by the clinic's time; 0 for
// none.
type Clocks struct {
	_             struct{} `cbor:",toarray"`
	Softened      bool
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
	_      struct{} `cbor:",toarray"`
	Place  string
	FromMs int64
}

// Judged is a person's decision after one warm place.
type Judged struct {
	_      struct{} `cbor:",toarray"`
	Warm   string   // the record of the warm place, hex
	Unfit  bool
	Reason string
}

// InStock says that the bag can still be looked for at its place.
func (l *BagLine) InStock() bool { return l.Ended == "" && l.Label != nil }

// Line is the bag as lists need it.
func (b *Bag) Line() *BagLine {
	l := &BagLine{
		ID: b.Entity.ID, Label: b.Label, Place: b.Place, Ended: b.Ended, GivenMl: b.GivenMl, Clocks: b.clocks(), Given: b.Given,
	}
	if len(b.Receipts) > 0 {
		r := &b.Receipts[0]
		l.Received = &Told{AtMs: r.Stamp.AtMs, Author: r.Stamp.Author, Place: r.Place}
	}
	if n := len(b.Ends); n > 0 {
		at := b.Ends[n-1].Stamp
		l.Left = &Told{AtMs: at.AtMs, Author: at.Author, Place: b.Place}
	}
	for _, s := range b.Custody {
		l.Stays = append(l.Stays, Stay{Place: s.Place, FromMs: s.FromMs + s.OffMs})
	}
	for _, d := range b.Decisions {
		l.Judged = append(l.Judged, Judged{Warm: d.Warm, Unfit: d.Unfit, Reason: d.Reason})
	}
	return l
}

// clocks takes the earliest of each, since the earliest clock wins.
func (b *Bag) clocks() *Clocks {
	c := Clocks{Softened: len(b.Softened) > 0, Refrozen: len(b.Refrozen) > 0}
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

// EncodeLine is the line of a state as bytes: the same state always into the same
// bytes. It is nil for kinds that lists read in full.
func EncodeLine(s State) ([]byte, error) {
	b, ok := s.(*Bag)
	if !ok {
		return nil, nil
	}
	out, err := encoding.Marshal(b.Line())
	if err != nil {
		return nil, fmt.Errorf("encode line: %w", err)
	}
	return out, nil
}

// DecodeBagLine reads what EncodeLine wrote of a bag with the same FoldVersion.
func DecodeBagLine(b []byte) (*BagLine, error) {
	l := &BagLine{}
	if err := cbor.Unmarshal(b, l); err != nil {
		return nil, fmt.Errorf("decode line of a bag: %w", err)
	}
	return l, nil
}
