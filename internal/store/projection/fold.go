package projection

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// folding is one entity on its way from its records to its rows.
type folding struct {
	key    event.Key
	inputs []ledger.Input
	met    found
	was    rows   // what the index says of it
	value  []byte // the state, encoded; nil for none
	terms  []string
	line   []byte // the state as lists need it; nil for none
	short  []byte // its begin, for the terms that hold it
	err    error
}

// rows are those of an entity that a fold compares with.
type rows struct {
	terms   []byte
	unclean bool
}

// fold builds entities' states from all records that touch them. What takes long
// needs nothing but the records and rows that are there, and is done side by side; the
// rows are written in order.
func (a *application) fold(keys ...event.Key) error {
	list := make([]folding, len(keys))
	for i, k := range keys {
		f := &list[i]
		if f.key = k; !ledger.Prunes(k.Kind) {
			continue
		}
		if f.inputs, f.met, f.err = a.pruned(k); f.err != nil {
			return f.err
		}
	}
	a.p.inParallel(len(list), func(i int) { a.work(&list[i]) })
	for i := range list {
		f := &list[i]
		if f.err != nil {
			return f.err
		}
		if err := a.mark(uncleanKey(f.key), f.was.unclean, f.met.unclean); err != nil {
			return err
		}
		if err := a.put(f); err != nil {
			return err
		}
	}
	return nil
}

// work reads, decodes, folds and encodes. It writes nothing.
func (a *application) work(f *folding) {
	if !ledger.Prunes(f.key.Kind) {
		f.inputs, f.met, f.err = a.inputs(f.key)
	}
	if f.err == nil {
		f.was, f.err = a.rows(f.key)
	}
	if f.err != nil {
		return
	}
	readPayloads(f.inputs)
	f.encode(ledger.Fold(f.key, f.inputs))
}

// rows reads what the index says of an entity.
func (a *application) rows(k event.Key) (was rows, err error) {
	if was.terms, _, err = a.w.Get(termsKey(k)); err == nil {
		was.unclean, err = a.w.Has(uncleanKey(k))
	}
	return was, err
}

// readPayloads fills in what the records say, where nobody has read it yet.
func readPayloads(inputs []ledger.Input) {
	for i := range inputs {
		if inputs[i].Flaw != ledger.FlawUnasked {
			continue
		}
		inputs[i].Payload, _ = inputs[i].Rec.Payload() // what cannot be read is nil and folded as such
	}
}

func (f *folding) encode(state ledger.State) {
	if state == nil {
		return
	}
	if f.value, f.err = ledger.Encode(state); f.err != nil {
		f.err = fmt.Errorf("encode %s: %w", f.key, f.err)
		return
	}
	f.line, f.short = ledger.EncodeLine(state)
	f.terms = slices.DeleteFunc(ledger.Terms(state), func(t string) bool { return len(t) > maxTerm || strings.Contains(t, "\x00") })
}

// put writes an entity's state, the terms it is found under and its line.
func (a *application) put(f *folding) error {
	if err := a.setOrDelete(stateKey(f.key), f.value); err != nil {
		return err
	}
	return a.retitle(f)
}

// maxTerm bounds a term in bytes, so that with its entity it makes a key.
const maxTerm = 400

// retitle changes the terms under which an entity is found, and its line. All
// terms that stand are written with the row that lists them: an unclean stop that
// loses one loses the other too, so that applying again makes both good.
func (a *application) retitle(f *folding) error {
	now := joinTerms(f.terms, f.line)
	if bytes.Equal(f.was.terms, now) {
		return nil
	}
	before, _ := splitTerms(f.was.terms)
	for _, t := range before {
		if !slices.Contains(f.terms, t) {
			if err := a.w.Delete(termKey(t, f.key)); err != nil {
				return err
			}
		}
	}
	for _, t := range f.terms {
		if err := a.w.Set(termKey(t, f.key), f.termValue(t)); err != nil {
			return err
		}
	}
	return a.setOrDelete(termsKey(f.key), now)
}

// termValue is what the row of a term holds.
func (f *folding) termValue(term string) []byte {
	if len(f.short) > len(noLine) && ledger.HoldsLine(term) {
		return f.short
	}
	return noLine
}

// noLine is the value of a row of a term that holds no line.
var noLine = []byte{1}

// joinTerms is the row of an entity's terms and line. No term is empty or holds a
// zero byte.
func joinTerms(terms []string, line []byte) []byte {
	out := []byte(strings.Join(terms, "\x00"))
	if len(line) > 0 {
		out = append(append(out, 0, 0), line...)
	}
	return out
}

// splitTerms takes such a row apart.
func splitTerms(value []byte) (terms []string, line []byte) {
	head, line, _ := bytes.Cut(value, []byte{0, 0})
	if len(head) == 0 {
		return nil, line
	}
	return strings.Split(string(head), "\x00"), line
}

func (a *application) setOrDelete(key, value []byte) error {
	if len(value) == 0 {
		return a.w.Delete(key)
	}
	return a.w.Set(key, value)
}

// mark sets or removes a row that has no value of its own.
func (a *application) mark(key []byte, was, on bool) error {
	switch {
	case was == on:
		return nil
	case on:
		return a.w.Set(key, []byte{1})
	}
	return a.w.Delete(key)
}

// found is what inputs met beside the records.
type found struct {
	unclean bool // some record lacks a right, so that a later grant can change the entity
	damaged bool // some record cannot be read
}

// inputs reads the records on which an entity's state rests.
func (a *application) inputs(k event.Key) ([]ledger.Input, found, error) {
	positions, err := a.touches(k)
	if err != nil {
		return nil, found{}, err
	}
	return a.read(k, positions, nil)
}

// read reads the records at positions as an entity's fold takes them. With at, which
// notes where each lies, it serves an entity that is pruned, and they are remembered
// for the next one.
func (a *application) read(k event.Key, positions []journal.Position, at map[event.Hash]journal.Position) (inputs []ledger.Input, met found, err error) {
	inputs = make([]ledger.Input, 0, len(positions))
	for _, p := range positions {
		r, err := a.fetch(p)
		if err != nil {
			if errors.Is(err, journal.ErrDamaged) {
				met.damaged = true // noted when it was met; other replicas can refill it
				continue
			}
			return nil, met, err
		}
		st := ledger.Standing{In: true, Entitled: true}
		if k != event.RightsKey {
			st = r.standingBy(a.rights)
		}
		met.unclean = met.unclean || !ledger.Clean(st)
		if !st.In {
			continue
		}
		forked, err := a.forked(r.rec)
		if err != nil {
			return nil, met, err
		}
		if at != nil {
			at[r.rec.Hash] = p
			a.p.rests.addAlone(p, r)
		}
		inputs = append(inputs, ledger.Input{Rec: r.rec, Payload: r.payload, Flaw: r.flaw, Entitled: st.Entitled, Forked: forked, Foreign: a.p.foreign(r.rec)})
	}
	return inputs, met, nil
}

// touches lists where the records that touch an entity lie, each once. An entity
// without a state, none of whose records lacked a right, was not touched before
// this batch by any record that can be read.
func (a *application) touches(k event.Key) ([]journal.Position, error) {
	if now := a.touched[k]; now != nil {
		known, err := a.w.Has(stateKey(k))
		if err == nil && !known {
			known, err = a.w.Has(uncleanKey(k))
		}
		if err != nil || !known {
			slices.SortFunc(now, journal.Position.Compare)
			return slices.Compact(now), err
		}
	}
	return touches(a.w, k)
}

// touchesAll also lists those that were left out of its state.
func touchesAll(r index.Reader, k event.Key) ([]journal.Position, error) {
	out, err := touches(r, k)
	if err != nil || !ledger.Prunes(k.Kind) {
		return out, err
	}
	rows, err := touchRows(r, outPrefix(k))
	for _, left := range rows {
		out = append(out, left.positions...)
	}
	return merged(nil, out), err
}

// touches lists where the records that touch an entity lie, each once.
func touches(r index.Reader, k event.Key) ([]journal.Position, error) {
	var out []journal.Position
	err := r.Scan(touchPrefix(k), nil, false, func(_, v []byte) (bool, error) {
		out = appendPositions(out, v)
		return true, nil
	})
	slices.SortFunc(out, journal.Position.Compare)
	return slices.Compact(out), err
}
