package projection

import (
	"encoding/binary"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// extents gathers, for one apply transaction, where consecutive records lie.
type extents struct {
	w     index.Writer
	open  map[event.LogID]*extent
	start map[event.LogID]journal.Position
}

const (
	// maxExtent bounds a row; a reader of one record walks no further.
	maxExtent = 1024
	// growExtent is how long a stored row may be and still be written again with
	// more behind it: records that come one by one must not make a row each.
	growExtent = 64
)

func newExtents(w index.Writer) *extents {
	return &extents{w: w, open: map[event.LogID]*extent{}, start: map[event.LogID]journal.Position{}}
}

// add puts a record behind the ones before it, or begins a new extent when it
// does not follow them or lies in another segment.
func (x *extents) add(l located) error {
	e := x.open[l.rec.Log]
	if e != nil && (e.segment != l.pos.Segment || e.seq+uint64(len(e.offsets)) != l.rec.Head.Seq || len(e.offsets) == maxExtent) {
		if err := x.close(l.rec.Log); err != nil {
			return err
		}
		e = nil
	}
	if e == nil {
		stored, at, err := x.stored(l)
		if err != nil {
			return err
		}
		if e = stored; e == nil {
			e, at = &extent{seq: l.rec.Head.Seq, segment: l.pos.Segment}, l.pos
		}
		x.open[l.rec.Log], x.start[l.rec.Log] = e, at
	}
	e.offsets = append(e.offsets, l.pos.Offset)
	e.hashes = append(e.hashes, [4]byte(l.rec.Hash[:4]))
	return nil
}

// stored is the short row that the record follows without a gap, and where it
// starts; nil when there is none.
func (x *extents) stored(l located) (e *extent, at journal.Position, err error) {
	end := extentKey(l.rec.Log, l.rec.Head.Seq, journal.Position{})
	err = x.w.Scan(extentPrefix(l.rec.Log), end, true, func(k, v []byte) (bool, error) {
		row, _, ok := decodeExtent(k, v)
		n := len(row.offsets)
		if ok && n < growExtent && row.segment == l.pos.Segment && row.seq+uint64(n) == l.rec.Head.Seq && row.offsets[n-1] < l.pos.Offset {
			at, err = journal.DecodePosition(k[len(k)-8:])
			e = &row
		}
		return false, err
	})
	return e, at, err
}

// close writes a row at once: the next row of the log may go on from it.
func (x *extents) close(log event.LogID) error {
	e, at := x.open[log], x.start[log]
	delete(x.open, log)
	return x.w.Set(extentKey(log, e.seq, at), e.encode())
}

func (x *extents) write() error {
	for _, log := range event.SortedLogs(x.open) {
		if err := x.close(log); err != nil {
			return err
		}
	}
	return nil
}

// spot is where a record lies and how its hash begins.
type spot struct {
	pos   journal.Position
	hash4 [4]byte
}

// positionsAt finds the records of a log at one seq: several when it is forked
// or was saved twice after damage.
func positionsAt(r index.Reader, log event.LogID, seq uint64) ([]spot, error) {
	var out []spot
	from := binary.BigEndian.AppendUint64(extentPrefix(log), seq)
	from = append(from, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff)
	err := r.Scan(extentPrefix(log), from, true, func(k, v []byte) (bool, error) {
		x, _, ok := decodeExtent(k, v)
		if !ok {
			return true, nil
		}
		if i := seq - x.seq; i < uint64(len(x.offsets)) {
			out = append(out, spot{x.at(int(i)), x.hashes[i]})
		}
		return seq-x.seq < maxExtent, nil
	})
	slices.Reverse(out)
	return out, err
}
