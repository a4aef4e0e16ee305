package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// fold builds one entity's state from all records that touch it.
func (a *application) fold(k event.Key) error {
	inputs, found, err := a.inputs(k)
	if err != nil {
		return err
	}
	if err := a.mark(uncleanKey(k), found.unclean); err != nil {
		return err
	}
	return a.put(k, ledger.Fold(k, inputs))
}

// put writes an entity's state and the terms it is found under.
func (a *application) put(k event.Key, state ledger.State) error {
	var value []byte
	var terms []string
	if state != nil {
		var err error
		if value, err = ledger.Encode(state); err != nil {
			return fmt.Errorf("encode %s: %w", k, err)
		}
		terms = slices.DeleteFunc(ledger.Terms(state), func(t string) bool { return len(t) > maxTerm })
	}
	if err := a.setOrDelete(stateKey(k), value); err != nil {
		return err
	}
	return a.retitle(k, terms)
}

// maxTerm bounds a term in bytes, so that with its entity it makes a key.
const maxTerm = 400

// retitle changes the terms under which an entity is found.
func (a *application) retitle(k event.Key, terms []string) error {
	old, _, err := a.w.Get(termsKey(k))
	if err != nil {
		return err
	}
	joined := strings.Join(terms, "\x00")
	if string(old) == joined {
		return nil
	}
	for _, t := range splitTerms(old) {
		if err := a.w.Delete(termKey(t, k)); err != nil {
			return err
		}
	}
	for _, t := range terms {
		if err := a.w.Set(termKey(t, k), []byte{1}); err != nil {
			return err
		}
	}
	return a.setOrDelete(termsKey(k), []byte(joined))
}

func splitTerms(value []byte) []string {
	if len(value) == 0 {
		return nil
	}
	return strings.Split(string(value), "\x00")
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

// inputs reads every record that touches an entity.
func (a *application) inputs(k event.Key) (inputs []ledger.Input, met found, err error) {
	positions, err := a.touches(k)
	if err != nil {
		return nil, met, err
	}
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
		payload, _ := r.Payload()
		inputs = append(inputs, ledger.Input{Rec: r, Payload: payload, Entitled: st.Entitled, Forked: forked, Foreign: a.s.foreign(r)})
	}
	return inputs, met, nil
}

func (a *application) record(p journal.Position) (*event.Record, error) {
	if r, ok := a.byPos[p]; ok {
		return r, nil
	}
	return a.s.recordAt(p)
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
