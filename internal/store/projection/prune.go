package projection

import (
	"bytes"
	"errors"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
)

// A log is named by every statement that it moved, for years. Its state rests on
// few of those records (ledger.Prune), and only they are read when it is folded
// again. Where the others lie moves, a few at a time, from the rows of touches to
// rows of their own:
//
//	e/ entity 00 position    records that are read at every fold
//	o/ entity 00 position    records that were left out, by the same batch
//
// A change of rights can bring one of them back: then all are read, and the rows
// are set anew. An update that an unclean stop lost leaves too much in the first
// kind, never too little.

// pruneAt is how many records, beyond twice what is kept, wait to be left out.
const pruneAt = 16

// pruneChunk bounds the records in memory while an entity is pruned.
const pruneChunk = 256

// pruned reads the records on which an entity's state rests, with payloads.
func (a *application) pruned(k event.Key) (inputs []ledger.Input, met found, err error) {
	hot, err := a.touches(k)
	if err != nil {
		return nil, met, err
	}
	var at map[event.Hash]journal.Position
	whole := a.whole
	if !whole {
		if inputs, at, met, err = a.rested(k, hot); err != nil {
			return nil, met, err
		}
		whole = met.damaged // in place of a record that is gone stands one that was left out
	}
	if whole {
		all, err := touchesAll(a.w, k)
		if err != nil {
			return nil, met, err
		}
		if inputs, at, met, err = a.rested(k, all); err != nil {
			return nil, met, err
		}
	} else { // what was left out may have lacked a right
		_, was, err := a.w.Get(uncleanKey(k))
		if err != nil {
			return nil, met, err
		}
		met.unclean = met.unclean || was
	}
	kept := map[journal.Position]bool{}
	for _, in := range inputs {
		kept[at[in.Rec.Hash]] = true
	}
	if whole || len(hot) > 2*len(kept)+pruneAt {
		err = a.sort(k, kept, whole)
	}
	return inputs, met, err
}

// rested reads records and prunes them as it goes; at says where each lies.
func (a *application) rested(k event.Key, positions []journal.Position) (inputs []ledger.Input, at map[event.Hash]journal.Position, met found, err error) {
	at = map[event.Hash]journal.Position{}
	for part := range slices.Chunk(positions, pruneChunk) {
		more, found, err := a.read(k, part, at)
		if err != nil {
			return nil, nil, met, err
		}
		met.unclean, met.damaged = met.unclean || found.unclean, met.damaged || found.damaged
		readPayloads(more)
		inputs = ledger.Prune(k, append(inputs, more...))
	}
	return inputs, at, met, nil
}

// sort sets the rows of an entity: kept positions are read at every fold, others
// are not. The first row stays, so that the entity is known by it.
func (a *application) sort(k event.Key, kept map[journal.Position]bool, whole bool) error {
	rows, err := touchRows(a.w, touchPrefix(k))
	if err != nil {
		return err
	}
	for i, r := range rows {
		stay, leave := split(r.positions, func(p journal.Position) bool { return kept[p] })
		if len(stay) == 0 && i == 0 {
			stay, leave = leave[:1], leave[1:]
		}
		if len(leave) > 0 {
			err = errors.Join(err, addPositions(a.w, append(outPrefix(k), r.at...), leave), a.setOrDelete(append(touchPrefix(k), r.at...), encodePositions(stay)))
		}
	}
	if !whole || err != nil {
		return err
	}
	if rows, err = touchRows(a.w, outPrefix(k)); err != nil {
		return err
	}
	for _, r := range rows {
		back, leave := split(r.positions, func(p journal.Position) bool { return kept[p] })
		if len(back) > 0 {
			err = errors.Join(err, addPositions(a.w, append(touchPrefix(k), r.at...), back),
				a.setOrDelete(append(outPrefix(k), r.at...), encodePositions(leave)))
		}
	}
	return err
}

func split(ps []journal.Position, stays func(journal.Position) bool) (stay, leave []journal.Position) {
	for _, p := range ps {
		if stays(p) {
			stay = append(stay, p)
		} else {
			leave = append(leave, p)
		}
	}
	return stay, leave
}

// merged is both lists, sorted, each position once.
func merged(a, b []journal.Position) []journal.Position {
	out := append(a, b...)
	slices.SortFunc(out, journal.Position.Compare)
	return slices.Compact(out)
}

// touchRow is one row of touches; at is the end of its key.
type touchRow struct {
	at        []byte
	positions []journal.Position
}

func touchRows(r scanner, prefix []byte) (out []touchRow, err error) {
	err = r.Scan(prefix, nil, false, func(key, v []byte) (bool, error) {
		out = append(out, touchRow{bytes.Clone(key[len(prefix):]), appendPositions(nil, v)})
		return true, nil
	})
	return out, err
}

// scanner is the part of an index that rows are read from.
type scanner interface {
	Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error
}

// outPrefix begins the rows of records that were left out of an entity.
func outPrefix(k event.Key) []byte { return row('o', entityBytes(k), []byte{0}) }
