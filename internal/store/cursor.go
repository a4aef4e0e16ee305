package store

import (
	"fmt"

	"github.com/fxamacker/cbor/v2"

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
type cursor struct {
	pos     journal.Position // next to apply
	written uint64           // bytes given to the index so far
	marks   []mark           // oldest first, at most maxMarks
	unclean bool             // the index was not closed cleanly (not stored)
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
}

const (
	maxMarks = 128
	// behind is how far back re-applying starts after an unclean stop: four
	// tables of the index in memory.
	behind = 4 * indexTable
	// indexTable is the size of one table of the index in memory.
	indexTable = 4 << 20
	// markEvery spaces the marks so that maxMarks of them reach back further
	// than behind.
	markEvery = 2 * behind / maxMarks
)

func (c *cursor) encode() ([]byte, error) {
	return cbor.Marshal(cursorRow{Pos: c.pos.Encode(), Written: c.written, Marks: c.marks, Fold: ledger.FoldVersion})
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
	c.written, c.marks = r.Written, r.Marks
	return c, r.Fold == ledger.FoldVersion, nil
}

// moved is the cursor after a transaction of n bytes that applied up to pos.
func (c cursor) moved(pos journal.Position, n uint64) cursor {
	next := cursor{pos: pos, written: c.written + n, marks: c.marks}
	newest := uint64(0)
	if len(c.marks) > 0 {
		newest = c.marks[len(c.marks)-1].Written
	}
	if len(c.marks) == 0 || c.written-newest >= markEvery {
		next.marks = append(append([]mark(nil), c.marks...), mark{c.pos.Encode(), c.written})
		if len(next.marks) > maxMarks {
			next.marks = next.marks[1:]
		}
	}
	return next
}

// wellBehind is where applying starts again after an unclean stop: the newest
// mark that lies further back than the index's tables in memory, or the start.
func (c cursor) wellBehind() journal.Position {
	for i := len(c.marks) - 1; i >= 0; i-- {
		if c.written-c.marks[i].Written >= behind {
			if p, err := journal.DecodePosition(c.marks[i].Pos); err == nil {
				return p
			}
		}
	}
	return journal.Position{}
}
