package projection

import (
	"fmt"

	"github.com/fxamacker/cbor/v2"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
)

// cursor says how far the index has applied the journal. It is one row, written
// in the same transaction as what it stands for.
//
// The index is not synced, and after an unclean stop its newest write-ahead log
// can be whole while an older one is cut: rows from the middle are gone and the
// cursor does not show it. So after an unclean stop the journal is applied again
// from well behind the cursor: marks keep, for the last transactions, how many
// bytes the index had been given by then, and the start is the mark that lies
// further back than all tables the index may have held in memory.
//
// While the index gathers (gather.go), nothing is given to it, and then all at once in
// the order of keys: no mark can lie in between. Once it is known that all of it will
// outlive a stop of the machine, an anchor says so, behind which nothing starts.
type cursor struct {
	pos     journal.Position // next to apply
	written uint64           // bytes given to the index so far
	marks   []mark           // oldest first, at most maxMarks
	refold  uint64           // written when entities were last folded again; 0 for never
	last    witness          // of the records that were applied, the one that lies furthest
	passed  []passed         // damage that was passed over, in order, at most maxPassed
	anchor  mark             // before it nothing can be lost; the zero mark when that is not known
	emptied bool             // the index was, and a stop of the machine may bring back what was in it
	opening []byte           // of a journal that is shared: under which the index was last found to be of it
}

// witness is a record and where it lay. While the journal holds it there, it is
// the journal that the index was built from: not an older copy, nor one that was
// written on in another way since.
type witness struct {
	pos  journal.Position
	hash event.Hash
}

type mark struct {
	Pos     []byte `cbor:"1,keyasint"`
	Written uint64 `cbor:"2,keyasint"`
}

type cursorRow struct {
	Pos     []byte `cbor:"1,keyasint"`
	Written uint64 `cbor:"2,keyasint"`
	Marks   []mark `cbor:"3,keyasint"`
	Fold    uint32 `cbor:"4,keyasint"`
	Refold  uint64 `cbor:"5,keyasint"`
	LastPos []byte `cbor:"6,keyasint,omitempty"`
	Last    []byte `cbor:"7,keyasint,omitempty"`

	Passed []passed `cbor:"8,keyasint,omitempty"`
	Anchor *mark    `cbor:"9,keyasint,omitempty"`

	Emptied bool   `cbor:"10,keyasint,omitempty"`
	Opening []byte `cbor:"11,keyasint,omitempty"`
}

const (
	maxMarks = 128
	// fourTables is how far back re-applying starts after an unclean stop: four
	// tables of the index in memory, one more than it can hold.
	fourTables = 4 * 4 << 20
	// entryBytes is less than what an entry takes in such a table beside its key
	// and value, so that what is counted never exceeds what the table holds.
	entryBytes = 24
)

// witness is what the cursor says of how far the journal had reached.
func (c *cursor) witness() Witness {
	w := Witness{End: later(c.pos, c.last.pos), Last: c.last.pos}
	if !c.last.hash.IsZero() {
		w.Fits = func(h event.Hash) bool { return h == c.last.hash }
	}
	return w
}

func (c *cursor) encode() ([]byte, error) {
	r := cursorRow{Pos: c.pos.Encode(), Written: c.written, Marks: c.marks, Fold: ledger.FoldVersion, Refold: c.refold,
		LastPos: c.last.pos.Encode(), Last: c.last.hash[:], Passed: c.passed, Emptied: c.emptied, Opening: c.opening}
	if !c.anchor.at().IsZero() {
		r.Anchor = &c.anchor
	}
	return cbor.Marshal(r)
}

// at is where a mark lies; zero for the zero mark.
func (m mark) at() journal.Position {
	at, err := journal.DecodePosition(m.Pos)
	if err != nil {
		return journal.Position{}
	}
	return at
}

// decodeCursor reads the row; ok is false when the state in the index was
// folded by another version of the rules and must be built again.
func decodeCursor(value []byte) (c cursor, ok bool, err error) {
	var r cursorRow
	if err := cbor.Unmarshal(value, &r); err != nil {
		return c, false, fmt.Errorf("cursor: %w", err)
	}
	if c.pos, err = journal.DecodePosition(r.Pos); err != nil {
		return c, false, fmt.Errorf("cursor: %w", err)
	}
	c.written, c.marks, c.refold, c.passed, c.emptied, c.opening = r.Written, r.Marks, r.Refold, r.Passed, r.Emptied, r.Opening
	if r.Anchor != nil {
		c.anchor = *r.Anchor
	}
	if len(r.Last) > 0 {
		c.last.hash, _ = event.ToHash(r.Last)
		if c.last.pos, err = journal.DecodePosition(r.LastPos); err != nil {
			return c, false, fmt.Errorf("cursor: %w", err)
		}
	}
	return c, r.Fold == ledger.FoldVersion, nil
}

// moved is the cursor after a transaction of n bytes that applied up to pos.
// Marks are spaced so that maxMarks of them reach back further than behind.
func (c cursor) moved(pos journal.Position, n, behind uint64) cursor {
	next := c
	next.pos, next.written = pos, c.written+n
	newest := uint64(0)
	if len(c.marks) > 0 {
		newest = c.marks[len(c.marks)-1].Written
	}
	if n > 0 && (len(c.marks) == 0 || c.written-newest >= 2*behind/maxMarks) {
		next.marks = append(append([]mark(nil), c.marks...), mark{c.pos.Encode(), c.written})
		if len(next.marks) > maxMarks {
			next.marks = next.marks[1:]
		}
	}
	return next
}

// saw is the cursor after records were applied, in the journal's order. What was applied
// before its turn stays the witness until the cursor has come so far: its rows are in the
// index, and are wrong as soon as the journal ends before it.
func (c cursor) saw(recs []located) cursor {
	if n := len(recs); n > 0 {
		c.last = c.last.orLater(witness{recs[n-1].pos, recs[n-1].rec.Hash})
	}
	return c
}

// orLater is the one of two witnesses that lies further, and of the same place the other.
func (w witness) orLater(o witness) witness {
	if o.pos.Compare(w.pos) < 0 {
		return w
	}
	return o
}

// wrote is the cursor after n bytes that were written without moving it.
func (c cursor) wrote(n uint64) cursor {
	c.written += n
	return c
}

// folded is the cursor after a transaction of n bytes that folded entities again.
func (c cursor) folded(n uint64) cursor {
	c.written += max(n, 1)
	c.refold = c.written
	return c
}

// anchored is the cursor when all before a mark is known to outlive a stop of the
// machine.
func (c cursor) anchored(at mark) cursor {
	c.anchor, c.emptied = at, false
	return c
}

// here is where the cursor stands, as a mark.
func (c cursor) here() mark { return mark{c.pos.Encode(), c.written} }

// passing is the cursor after damage was passed over.
func (c cursor) passing(from, to journal.Position) cursor {
	c.passed = withPassed(c.passed, passedOver(from, to))
	return c
}

// rewound is the cursor after an unclean stop: at the newest mark that lies
// further back than the index's tables in memory, at the anchor if that is newer, or
// at the start. Marks past it go: what lies between them and the old cursor is in
// doubt, and must stay so should the next stop be unclean too.
func (c cursor) rewound(behind uint64) cursor {
	back := c
	back.pos, back.marks = journal.Position{}, nil
	for i := len(c.marks) - 1; i >= 0; i-- {
		p, err := journal.DecodePosition(c.marks[i].Pos)
		if err == nil && c.written-c.marks[i].Written >= behind && p.Compare(c.pos) <= 0 {
			back.pos, back.marks = p, c.marks[:i+1]
			break
		}
	}
	if at := c.anchor.at(); at.Compare(back.pos) > 0 && at.Compare(c.pos) <= 0 {
		back.pos, back.marks = at, []mark{c.anchor}
	}
	return back
}

// refolding says that entities were folded again so lately that a part of that
// may be lost although the note of it is gone.
func (c cursor) refolding(behind uint64) bool {
	return c.refold > c.anchor.Written && c.written-c.refold < behind
}
