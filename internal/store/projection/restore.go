package projection

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Witness says how far a journal had reached. The zero Witness knows nothing.
type Witness struct {
	End, Last journal.Position      // of the journal, and of its last record
	Fits      func(event.Hash) bool // says that a record is that last one
}

// Restore brings the index to where the journal ends. Two witnesses say how far it
// had reached: the cursor, and the one given. lost is that place when records that
// were saved are gone, and zero when none are known to be. With no room on the disk
// for the index it is built in memory.
func (p *Projection) Restore(ctx context.Context, j Journal, also Witness) (lost journal.Position, err error) {
	p.journal = j
	lost, err = p.restore(ctx, also)
	if !errors.Is(err, index.ErrNoSpace) {
		return lost, err
	}
	p.covered(err)
	closing := p.index.Close()
	p.index, p.cursor, p.rights, p.unclean, p.torn = index.NewMemory(), cursor{}, nil, false, false
	again, err := p.restore(ctx, also) // an index in memory cannot know what the one on the disk knew
	if err != nil {
		return lost, errors.Join(err, closing)
	}
	return later(lost, again), nil
}

// restore does so once. Nobody else is there yet, so no lock is held.
func (p *Projection) restore(ctx context.Context, also Witness) (lost journal.Position, err error) {
	if lost, err = p.readIndex(also); err != nil {
		return lost, err
	}
	if err := p.rewind(); err != nil {
		return lost, err
	}
	if p.unclean || p.cursor.pos.Compare(p.journal.End()) < 0 {
		if err := p.checkLines(); err != nil {
			return lost, err
		}
	}
	p.cover = index.NewCover(p.index, p.covered, comingKey, refoldKey, cursorKey)
	p.index = p.cover
	return lost, p.catchUpFrom(ctx)
}

// readIndex reads cursor and rights. lost says how far the journal had reached when
// it is not the one that was there: it ends earlier, or went on in another way since.
// That is noted before the index is emptied, for should the program stop then, the
// cursor would tell no more; MadeGood takes the note away. With the note, an index that
// does not say that it was emptied is what a stop of the machine brought back, whatever
// lies by now where its last record was.
func (p *Projection) readIndex(also Witness) (lost journal.Position, err error) {
	fold, err := p.readCursor()
	if err != nil {
		return lost, fmt.Errorf("read the index: %w", err)
	}
	gone := later(p.goneSince(p.cursor.witness()), p.goneSince(also))
	if lost, err = p.noteLoss(gone); err != nil {
		return lost, err
	}
	healed := slices.ContainsFunc(p.cursor.passed, p.readable)
	joined, err := p.joinedAnother()
	if err != nil {
		return lost, err
	}
	another, err := p.ofAnother()
	if err != nil {
		return lost, fmt.Errorf("read the index: %w", err)
	}
	undone := p.unclean && p.cursor.emptied || !lost.IsZero() && !p.cursor.emptied
	p.kept = !p.cursor.pos.IsZero()
	if !gone.IsZero() || healed || !fold || joined || undone || another {
		p.kept = false
		return lost, errors.Join(p.emptyIndex(), p.SetLocal(foundingName, p.opt.Founding[:]))
	}
	p.cursor.opening = p.opening()
	return lost, p.readRights()
}

// opening names the opening of a journal that is shared; nil of one that is not.
func (p *Projection) opening() []byte {
	if shared, is := p.journal.(Shared); is {
		return shared.Opening()
	}
	return nil
}

// ofAnother says that the index may be of records that were there before an earlier image of
// the journal was put back. Whoever opened that image first was told of a loss by its own
// witnesses, or had none and is told by its peers: this one only reads everything again.
func (p *Projection) ofAnother() (bool, error) {
	shared, is := p.journal.(Shared)
	if !is || later(p.cursor.pos, p.cursor.last.pos).IsZero() {
		return false, nil
	}
	end, known, err := shared.Since(p.cursor.opening)
	return !known || end.Compare(p.cursor.pos) < 0 || end.Compare(p.cursor.last.pos) <= 0, err
}

// readCursor reads how far the index has come, and of which record it holds rows from a
// writing down that did not end. fold says that the rules fold as they did for all of it.
func (p *Projection) readCursor() (fold bool, err error) {
	fold = true
	err = p.index.View(func(r index.Reader) error {
		value, ok, err := r.Get(cursorKey)
		if err == nil && ok {
			p.cursor, fold, err = decodeCursor(value)
		}
		if err != nil {
			return err
		}
		value, ok, err = r.Get(comingKey)
		if err != nil || !ok {
			return err
		}
		coming, alike, err := decodeCursor(value)
		p.torn = coming.pos.Compare(p.cursor.pos) > 0 || coming.last.pos.Compare(p.cursor.last.pos) > 0
		p.cursor.last, fold = p.cursor.last.orLater(coming.last), fold && alike
		return err
	})
	return fold, err
}

// goneSince is how far the journal had reached by a witness who finds it cut, or
// gone on in another way; zero otherwise.
func (p *Projection) goneSince(w Witness) (far journal.Position) {
	if w.End.Compare(p.journal.End()) > 0 || w.Fits != nil && !p.holds(w) {
		return w.End
	}
	return far
}

// holds says that the journal still holds the record that a witness saw last. A
// damaged record and one that was never written there look alike; a disk that cannot
// be read just now proves nothing.
func (p *Projection) holds(w Witness) bool {
	frame, _, err := p.journal.ReadAt(w.Last, nil)
	switch {
	case err == nil:
	case !errors.Is(err, journal.ErrUnreadable) && (errors.Is(err, journal.ErrDamaged) || errors.Is(err, journal.ErrNotFound)):
		return false
	default:
		p.opt.Repaired(fmt.Sprintf("the disk could not be read at %s of the journal: %v; whether anything is gone there is not known", w.Last, err))
		return true
	}
	r, err := event.Decode(frame)
	return err == nil && w.Fits(r.Hash)
}

// Kept says that Restore went on from an index that was there: it knows where each log
// had ended, also what cannot be read any more.
func (p *Projection) Kept() bool { return p.kept }

func later(a, b journal.Position) journal.Position {
	if a.Compare(b) < 0 {
		return b
	}
	return a
}

// lossName is the local fact that records are gone and nobody acted on it yet: how
// far the journal had reached.
const lossName = "loss"

// noteLoss notes a loss, or gives one that was noted by a start that did not end.
func (p *Projection) noteLoss(gone journal.Position) (lost journal.Position, err error) {
	if !gone.IsZero() {
		return gone, p.SetLocal(lossName, gone.Encode())
	}
	was, err := p.Local(lossName)
	if err == nil && len(was) > 0 {
		lost, err = journal.DecodePosition(was)
	}
	if err != nil {
		return lost, fmt.Errorf("read the index: %w", err)
	}
	return lost, nil
}

// MadeGood says that the caller has acted on the loss that Restore told of. With no
// room to write that down, the next start tells of it once more.
func (p *Projection) MadeGood() error {
	if err := p.SetLocal(lossName, nil); !errors.Is(err, index.ErrNoSpace) {
		return err
	}
	return nil
}

// readable says that a record can be read now where there was damage, or that nothing
// is damaged there any more: a segment's header says what counts of the one before it.
func (p *Projection) readable(at passed) bool {
	from, to, ok := at.stretch()
	if !ok {
		return false
	}
	found, damaged := false, false
	err := p.journal.Scan(from, func(pos journal.Position, frame []byte) error {
		if pos != from && pos.Compare(to) >= 0 {
			return errEnough
		}
		if _, err := event.Decode(frame); err == nil {
			found = true
			return errEnough
		}
		damaged = true
		return nil
	}, func(_, end journal.Position, _ string) error {
		damaged = true
		if end.Compare(to) >= 0 {
			return errEnough
		}
		return nil
	})
	return (found || !damaged) && (err == nil || errors.Is(err, errEnough))
}

// foundingName is the local fact under which practice the index was folded.
const foundingName = "founding"

// joinedAnother says that the index was folded under another practice than the
// one that this replica belongs to now.
func (p *Projection) joinedAnother() (bool, error) {
	was, err := p.Local(foundingName)
	if err != nil {
		return false, fmt.Errorf("read the index: %w", err)
	}
	if was == nil {
		was = make([]byte, len(p.opt.Founding))
	}
	return !bytes.Equal(was, p.opt.Founding[:]), nil
}

// rewind moves the cursor well back after an unclean stop. It notes that entities are to be
// folded again when that was going on; and when rows that are ahead of the cursor are there
// already: rights among them are no change when they are applied again, and what they take
// away from others was perhaps not written.
func (p *Projection) rewind() error {
	again := p.torn
	if p.unclean {
		p.twice = p.journal.End()
		again = again || p.cursor.refolding(p.opt.Behind)
		p.cursor = p.cursor.rewound(p.opt.Behind)
	}
	if !again {
		return nil
	}
	return p.index.Update(func(w index.Writer) error { return w.Set(refoldKey, []byte{refoldEvery}) })
}

// emptyIndex throws away all that is derived, to be built again. Local facts stay. What
// says how far the index had come goes last: a stop before that is made good by the next
// start, which finds the same. After it the cursor says that the index was emptied, until
// all of that is known to outlive a stop of the machine.
func (p *Projection) emptyIndex() error {
	p.cursor, p.torn, p.loose = cursor{emptied: true, opening: p.opening()}, false, true
	value, err := p.cursor.encode()
	if err != nil {
		return err
	}
	for more := true; more; {
		var keys [][]byte
		err := p.index.Update(func(w index.Writer) error {
			err := w.Scan(nil, nil, false, func(k, _ []byte) (bool, error) {
				if !bytes.HasPrefix(k, localKey("")) && !bytes.Equal(k, cursorKey) && !bytes.Equal(k, comingKey) {
					keys = append(keys, append([]byte(nil), k...))
				}
				return len(keys) < 1000, nil
			})
			for _, k := range keys {
				err = errors.Join(err, w.Delete(k))
			}
			if more = len(keys) == 1000; !more {
				err = errors.Join(err, w.Delete(comingKey), w.Set(cursorKey, value))
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (p *Projection) readRights() error {
	p.rights = ledger.FoldRights(nil)
	return p.index.View(func(r index.Reader) error {
		value, ok, err := r.Get(stateKey(event.RightsKey))
		if err != nil || !ok {
			return err
		}
		state, err := ledger.Decode(event.KindRights, value)
		if err != nil {
			return err
		}
		p.entitle(state.(*ledger.Rights))
		return nil
	})
}

// catchUpFrom applies everything past the cursor.
func (p *Projection) catchUpFrom(ctx context.Context) error {
	if p.rights == nil {
		p.rights = ledger.FoldRights(nil)
	}
	if p.cursor.pos.Compare(p.journal.End()) < 0 {
		if err := p.applyAll(ctx); err != nil {
			return fmt.Errorf("apply the journal: %w", err)
		}
	}
	p.read = readRecords{}
	p.backlog.reached()
	return p.refoldAll(ctx)
}

// applyAll applies the journal to its end. That it is far away shows on the way.
func (p *Projection) applyAll(ctx context.Context) error {
	for applied := 0; ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := p.applySome()
		if applied += n; err == nil && applied > p.opt.Far {
			err = p.gather()
		}
		if err == nil {
			err = p.settleIfFull(ctx)
		}
		if err != nil || n == 0 {
			return err
		}
	}
}

// EachLog hands on what the index knows of every log, in the order of ids.
func (p *Projection) EachLog(fn func(LogInfo)) error {
	return p.index.View(func(r index.Reader) error {
		return r.Scan([]byte("l/"), nil, false, func(k, v []byte) (bool, error) {
			id, ok := event.ToHash(k[2:])
			if !ok {
				return true, nil
			}
			l, err := decodeLog(id, v)
			if err != nil {
				return false, err
			}
			fn(l)
			return true, nil
		})
	})
}
