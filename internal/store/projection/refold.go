package projection

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// A change of rights can change the state of entities whose records did not
// change. Those are folded again in bounded transactions; the row refoldKey says
// which are left, so that a crash in between is made good at the next start.

// Which entities to fold again.
const (
	refoldUnclean byte = 1 // those with a record that lacked a right
	refoldEvery   byte = 2
)

// refoldBatch is the number of entities folded in one transaction.
const refoldBatch = 64

// foldRights folds the rights first, since all other folds of the batch use
// them, and notes which entities a change concerns.
func (a *application) foldRights(touched []journal.Position) error {
	inputs, found, err := a.inputs(event.RightsKey)
	if err != nil {
		return err
	}
	readPayloads(inputs)
	rights := ledger.FoldRights(inputs)
	f := folding{key: event.RightsKey, inputs: inputs}
	if f.encode(rights); f.err != nil {
		return f.err
	}
	old, _, err := a.w.Get(stateKey(event.RightsKey))
	if err != nil || bytes.Equal(old, f.value) {
		return err
	}
	before := a.rights
	a.rights = rights
	if f.was, err = a.rows(f.key); err != nil {
		return err
	}
	if err := a.put(&f); err != nil {
		return err
	}
	// A log that is let in can bring revocations that were here all along, and
	// what a lost record gave is taken away.
	if found.damaged || before != nil && !slices.Equal(before.Revoked, rights.Revoked) {
		return a.refoldLater(refoldEvery)
	}
	return a.refoldLater(a.reach(touched))
}

// foreign says that a record founded another practice than the one that this
// replica joined.
func (p *Projection) foreign(r *event.Record) bool {
	r = r.Original()
	return r.Head.Type == event.TypePracticeFounded && !p.opt.Founding.IsZero() && r.Hash != p.opt.Founding
}

// reach says how far a change of rights reaches: new grants, devices and logs
// can only help what lacked a right; all else may take rights away.
func (a *application) reach(touched []journal.Position) byte {
	for _, p := range touched {
		r, err := a.record(p)
		if err != nil {
			return refoldEvery
		}
		switch r.Original().Head.Type {
		case event.TypeLogOpened, event.TypeDeviceAdded, event.TypeRoleGranted, event.TypeServerRestored:
		default:
			return refoldEvery
		}
	}
	return refoldUnclean
}

func (a *application) refoldLater(which byte) error {
	old, ok, err := a.w.Get(refoldKey)
	if err != nil {
		return err
	}
	if ok && len(old) > 0 {
		which = max(which, old[0])
	}
	a.unfolded = true
	return a.w.Set(refoldKey, refoldRow{which: which, before: a.recs[0].pos}.encode())
}

// refoldRow says which entities are left to be folded again.
type refoldRow struct {
	which byte
	// before is where the batch with the change began: what was not touched
	// before it was folded with the new rights already. Zero for no bound.
	before journal.Position
	from   []byte // row to go on from; empty for the first
}

func (r refoldRow) encode() []byte {
	return append(append([]byte{r.which}, r.before.Encode()...), r.from...)
}

// decodeRefold reads the row. A single byte means all of that kind.
func decodeRefold(b []byte) (r refoldRow, err error) {
	r.which = b[0]
	if len(b) < 1+positionBytes {
		return r, nil
	}
	r.before, err = journal.DecodePosition(b[1 : 1+positionBytes])
	r.from = b[1+positionBytes:]
	return r, err
}

// positionBytes is the length of an encoded position.
const positionBytes = 8

// refoldAll folds again what a change of rights concerns, and what was put off,
// until nothing is left.
func (p *Projection) refoldAll(ctx context.Context) error {
	for p.backlog.leaves() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := p.refoldStep(); err != nil {
			return err
		}
	}
	return nil
}

// refoldStep folds again one transaction's worth.
func (p *Projection) refoldStep() error {
	p.applier.Lock()
	defer p.applier.Unlock()
	if p.closed.Load() {
		return ErrClosed
	}
	return p.refoldFew()
}

// refoldFew folds again at once where few entities wait for it, as on a replica
// that has just begun: done at the end, they would be all.
func (p *Projection) refoldFew() error {
	if !p.backlog.leaves() {
		return nil
	}
	more, err := p.refoldSome(refoldBatch)
	if err == nil && !more {
		p.backlog.leave(false)
	}
	return err
}

// refoldSome folds up to n entities again; more says that some may be left.
func (p *Projection) refoldSome(n int) (more bool, err error) {
	a := p.application(nil)
	moved, err := p.update(a, func() (cursor, error) {
		var err error
		if more, err = a.refold(n); err != nil {
			return cursor{}, err
		}
		return p.cursor.folded(p.counted(a.w.bytes)), nil
	})
	if errors.Is(err, index.ErrTooBig) && n > 1 {
		return p.refoldSome(n / 2)
	}
	if errors.Is(err, index.ErrCovered) {
		return p.refoldSome(n)
	}
	if err == nil {
		p.cursor = moved
	}
	return more, err
}

// refold folds the next entities: first those that were put off.
func (a *application) refold(n int) (more bool, err error) {
	keys, err := dirtyKeys(a.w, n)
	if err != nil {
		return false, err
	}
	if len(keys) > 0 {
		for _, k := range keys {
			if err := a.w.Delete(dirtyKey(k)); err != nil {
				return false, err
			}
		}
		return true, a.fold(keys...)
	}
	row, ok, err := a.w.Get(refoldKey)
	if err != nil || !ok || len(row) == 0 {
		return false, err
	}
	left, err := decodeRefold(row)
	if err != nil {
		return false, err
	}
	if keys, left.from, err = refoldKeys(a.w, left, n); err != nil {
		return false, err
	}
	a.whole = true
	if err := a.fold(keys...); err != nil {
		return false, err
	}
	if len(keys) < n {
		return false, a.w.Delete(refoldKey)
	}
	return true, a.w.Set(refoldKey, left.encode())
}

// dirtyKeys lists entities that were put off.
func dirtyKeys(r index.Reader, n int) (keys []event.Key, err error) {
	err = r.Scan([]byte("d/"), nil, false, func(k, _ []byte) (bool, error) {
		keys = append(keys, parseEntity(k[2:]))
		return len(keys) < n, nil
	})
	return keys, err
}

// refoldKeys lists the next entities to fold again and the row to go on from.
func refoldKeys(r index.Reader, row refoldRow, n int) (keys []event.Key, last []byte, err error) {
	prefix, every := []byte("e/"), row.which == refoldEvery
	if !every {
		prefix = []byte("u/")
	}
	err = r.Scan(prefix, row.from, false, func(k, _ []byte) (bool, error) {
		key := k[2:]
		if every {
			at := len(key) - positionBytes
			if at < 1 || !row.before.IsZero() && bytes.Compare(key[at:], row.before.Encode()) >= 0 {
				return true, nil
			}
			key = key[:at-1] // without the zero byte and the position
		}
		e := parseEntity(key)
		if e != event.RightsKey && (len(keys) == 0 || keys[len(keys)-1] != e) {
			if len(keys) == n {
				return false, nil
			}
			keys = append(keys, e)
		}
		last = append(append([]byte(nil), k...), 0)
		return true, nil
	})
	return keys, last, err
}
