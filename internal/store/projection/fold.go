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
	inputs []ledger.Input // payloads are filled in by work
	met    found
	value  []byte // the state, encoded; nil for none
	terms  []string
	line   []byte // the state as lists need it; nil for none
	err    error
}

// fold builds entities' states from all records that touch them. What takes long
// needs nothing but the records and is done side by side; the rows are read and
// written in order.
func (a *application) fold(keys ...event.Key) error {
	list := make([]folding, len(keys))
	for i, k := range keys {
		f := &list[i]
		f.key = k
		if f.inputs, f.met, f.err = a.inputs(k); f.err != nil {
			return f.err
		}
	}
	inParallel(len(list), func(i int) { list[i].work() })
	for i := range list {
		f := &list[i]
		if f.err != nil {
			return f.err
		}
		if err := a.mark(uncleanKey(f.key), f.met.unclean); err != nil {
			return err
		}
		if err := a.put(f); err != nil {
			return err
		}
	}
	return nil
}

// work decodes, folds and encodes.
func (f *folding) work() {
	readPayloads(f.inputs)
	f.encode(ledger.Fold(f.key, f.inputs))
}

// readPayloads fills in what the records say.
func readPayloads(inputs []ledger.Input) {
	for i := range inputs {
		if inputs[i].Payload != nil {
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
	if f.line, f.err = ledger.EncodeLine(state); f.err != nil {
		f.err = fmt.Errorf("encode %s: %w", f.key, f.err)
		return
	}
	f.terms = slices.DeleteFunc(ledger.Terms(state), func(t string) bool { return len(t) > maxTerm || strings.Contains(t, "\x00") })
}

// put writes an entity's state, the terms it is found under and its line.
func (a *application) put(f *folding) error {
	if err := a.setOrDelete(stateKey(f.key), f.value); err != nil {
		return err
	}
	return a.retitle(f.key, f.terms, f.line)
}

// maxTerm bounds a term in bytes, so that with its entity it makes a key.
const maxTerm = 400

// retitle changes the terms under which an entity is found, and its line. All
// terms that stand are written with the row that lists them: an unclean stop that
// loses one loses the other too, so that applying again makes both good.
func (a *application) retitle(k event.Key, terms []string, line []byte) error {
	old, _, err := a.w.Get(termsKey(k))
	if err != nil {
		return err
	}
	now := joinTerms(terms, line)
	if bytes.Equal(old, now) {
		return nil
	}
	before, _ := splitTerms(old)
	for _, t := range before {
		if !slices.Contains(terms, t) {
			if err := a.w.Delete(termKey(t, k)); err != nil {
				return err
			}
		}
	}
	for _, t := range terms {
		if err := a.w.Set(termKey(t, k), []byte{1}); err != nil {
			return err
		}
	}
	return a.setOrDelete(termsKey(k), now)
}

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
func (a *application) mark(key []byte, on bool) error {
	_, was, err := a.w.Get(key)
	if err != nil || was == on {
		return err
	}
	if on {
		return a.w.Set(key, []byte{1})
	}
	return a.w.Delete(key)
}

// found is what inputs met beside the records.
type found struct {
	unclean bool // some record lacks a right, so that a later grant can change the entity
	damaged bool // some record cannot be read
}

// inputs reads the records on which an entity's state rests, but not always
// their payloads.
func (a *application) inputs(k event.Key) ([]ledger.Input, found, error) {
	if ledger.Prunes(k.Kind) {
		return a.pruned(k)
	}
	positions, err := a.touches(k)
	if err != nil {
		return nil, found{}, err
	}
	return a.read(k, positions, nil)
}

// read reads the records at positions as an entity's fold takes them, without
// payloads, and notes in at where each lies.
func (a *application) read(k event.Key, positions []journal.Position, at map[event.Hash]journal.Position) (inputs []ledger.Input, met found, err error) {
	for _, p := range positions {
		r, err := a.record(p)
		if err != nil {
			if errors.Is(err, journal.ErrDamaged) {
				met.damaged = true // noted when it was met; other replicas can refill it
				continue
			}
			return nil, met, err
		}
		st := ledger.Standing{In: true, Entitled: true}
		if k != event.RightsKey {
			st = a.rights.Standing(r)
		}
		met.unclean = met.unclean || !ledger.Clean(st)
		if !st.In {
			continue
		}
		forked, err := a.forked(r)
		if err != nil {
			return nil, met, err
		}
		if at != nil {
			at[r.Hash] = p
		}
		inputs = append(inputs, ledger.Input{Rec: r, Entitled: st.Entitled, Forked: forked, Foreign: a.p.foreign(r)})
	}
	return inputs, met, nil
}

// record reads one record. What cannot be read the index is built without: that is
// noted as damage that was passed over.
func (a *application) record(p journal.Position) (*event.Record, error) {
	if r, ok := a.byPos[p]; ok {
		return r, nil
	}
	r, err := a.p.RecordAt(p)
	if errors.Is(err, journal.ErrDamaged) {
		a.unread = append(a.unread, p)
	}
	return r, err
}

// touches lists where the records that touch an entity lie, each once. An entity
// without a state, none of whose records lacked a right, was not touched before
// this batch by any record that can be read.
func (a *application) touches(k event.Key) ([]journal.Position, error) {
	if now := a.touched[k]; now != nil {
		_, known, err := a.w.Get(stateKey(k))
		if err == nil && !known {
			_, known, err = a.w.Get(uncleanKey(k))
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
