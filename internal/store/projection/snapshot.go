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
)

// Snapshot answers from folded state as it was when the view began.
type Snapshot struct {
	p *Projection
	r index.Reader
}

// View catches up with the journal and lets fn read one consistent state. It
// passes every record that was saved before the call.
func (p *Projection) View(ctx context.Context, fn func(*Snapshot) error) error {
	if err := p.catchUpIfRoom(ctx); err != nil {
		return err
	}
	if p.closed.Load() {
		return ErrClosed
	}
	return p.index.View(func(r index.Reader) error { return fn(&Snapshot{p, r}) })
}

// State is the folded state of one entity; nil when nothing is known of it.
func (v *Snapshot) State(k event.Key) (ledger.State, error) {
	value, ok, err := v.r.Get(stateKey(k))
	if err != nil || !ok {
		return nil, err
	}
	state, err := ledger.Decode(k.Kind, value)
	if err != nil {
		return nil, fmt.Errorf("state of %s: %w", k, err)
	}
	return state, nil
}

// Has says that something is known of an entity.
func (v *Snapshot) Has(k event.Key) (bool, error) { return v.r.Has(stateKey(k)) }

// Get is State with its type; ok is false when nothing is known.
func Get[S ledger.State](v *Snapshot, k event.Key) (state S, ok bool, err error) {
	got, err := v.State(k)
	if err != nil || got == nil {
		return state, false, err
	}
	state, ok = got.(S)
	return state, ok, nil
}

// Each hands on every state of a kind, in the order of ids, until fn says stop.
func (v *Snapshot) Each(kind string, fn func(ledger.State) (more bool, err error)) error {
	return v.r.Scan(row('s', []byte(kind), []byte{0}), nil, false, func(_, value []byte) (bool, error) {
		state, err := ledger.Decode(kind, value)
		if err != nil {
			return false, err
		}
		return fn(state)
	})
}

// EachLine hands on the lines of a kind, in the order of ids, until fn says stop.
// They are valid until fn returns.
func (v *Snapshot) EachLine(kind string, fn func(line []byte) (more bool, err error)) error {
	return v.r.Scan(row('t', []byte(kind), []byte{0}), nil, false, func(_, value []byte) (bool, error) {
		if _, line, ok := bytes.Cut(value, []byte{0, 0}); ok {
			return fn(line)
		}
		return true, nil
	})
}

// Found is an entity found under a term, with its line if its kind has one: the short one
// where the rows of the term hold it. It is valid until the function it is given to returns.
type Found struct {
	Key  event.Key
	Term string
	Line []byte
}

// Mark is where a list of dated terms can be gone on from.
func (f Found) Mark() string { return f.Term + "\x00" + string(entityBytes(f.Key)) }

// Find lists the entities found under a term of ledger.Terms, at most n.
func (v *Snapshot) Find(term string, n int) ([]event.Key, error) {
	var out []event.Key
	err := v.FindLines(term, func(f Found) (bool, error) {
		out = append(out, f.Key)
		return len(out) < n, nil
	})
	return out, err
}

// FindLines hands on what is found under a term, until fn says stop.
func (v *Snapshot) FindLines(term string, fn func(Found) (more bool, err error)) error {
	return v.found(row('i', []byte(term), []byte{0}), nil, false, fn)
}

// FindAll hands on what is found under any term that begins so, in order of the
// terms: an entity comes once for each.
func (v *Snapshot) FindAll(start string, fn func(Found) (more bool, err error)) error {
	return v.found(row('i', []byte(start)), nil, false, fn)
}

// Newest hands on what is found under a dated term, the newest first, after a
// mark if there is one, until fn says stop.
func (v *Snapshot) Newest(term, after string, fn func(Found) (more bool, err error)) error {
	prefix := row('i', []byte(term), []byte{'@'})
	if after == "" {
		return v.found(prefix, nil, true, fn)
	}
	from := row('i', []byte(after))
	if !bytes.HasPrefix(from, prefix) {
		return nil
	}
	return v.found(prefix, from, true, func(f Found) (bool, error) {
		if f.Mark() == after {
			return true, nil
		}
		return fn(f)
	})
}

// found walks rows of terms. An unclean stop may have lost that an entity was taken from
// a term. Rows that hold lines were compared since then (lines.go); of any other what the
// entity says of its terms decides.
func (v *Snapshot) found(prefix, from []byte, reverse bool, fn func(Found) (bool, error)) error {
	return v.r.Scan(prefix, from, reverse, func(k, short []byte) (bool, error) {
		term, entity, _ := bytes.Cut(k[2:], []byte{0})
		if len(short) > len(noLine) {
			return fn(Found{Key: parseEntity(entity), Term: string(term), Line: short})
		}
		value, _, err := v.r.Get(row('t', entity))
		if err != nil {
			return false, err
		}
		terms, line, _ := bytes.Cut(value, []byte{0, 0})
		if !lists(terms, term) {
			return true, nil
		}
		return fn(Found{Key: parseEntity(entity), Term: string(term), Line: line})
	})
}

// lists says that a row of terms has one.
func lists(terms, term []byte) bool {
	for t := range bytes.SplitSeq(terms, []byte{0}) {
		if bytes.Equal(t, term) {
			return true
		}
	}
	return false
}

// Line is the line of one entity; nil when nothing is known of it.
func (v *Snapshot) Line(k event.Key) ([]byte, error) {
	value, _, err := v.r.Get(termsKey(k))
	_, line := splitTerms(value)
	return line, err
}

// Terms are the terms under which one entity is found.
func (v *Snapshot) Terms(k event.Key) ([]string, error) {
	value, _, err := v.r.Get(termsKey(k))
	terms, _ := splitTerms(value)
	return terms, err
}

// StartingWith lists ids of a kind that begin with a text, at most n.
func (v *Snapshot) StartingWith(kind, start string, n int) ([]string, error) {
	prefix := row('s', []byte(kind), []byte{0}, []byte(start))
	var out []string
	err := v.r.Scan(prefix, nil, false, func(k, _ []byte) (bool, error) {
		_, id, _ := bytes.Cut(k[2:], []byte{0})
		out = append(out, string(id))
		return len(out) < n, nil
	})
	return out, err
}

// Records hands on every record that touches an entity, in the order in which
// they came to this replica, one that was saved again as the record that it is. Damaged ones are left out and told as damage; any other
// error of the disk is returned, for a history with holes looks like a whole one.
func (v *Snapshot) Records(k event.Key, fn func(*event.Record) error) error {
	positions, err := touchesAll(v.r, k)
	if err != nil {
		return err
	}
	seen := map[event.Hash]bool{}
	for _, p := range positions {
		r, err := v.p.RecordAt(p)
		if errors.Is(err, errDisk) {
			return err
		}
		if err != nil {
			continue
		}
		if o := r.Original(); slices.Contains(o.Touches(), k) {
			r = o
		}
		if seen[r.Hash] {
			continue
		}
		seen[r.Hash] = true
		if err := fn(r); err != nil {
			return err
		}
	}
	return nil
}

// ByRequest finds the record that a request of this device made.
func (v *Snapshot) ByRequest(id string) (*event.Record, bool, error) {
	value, ok, err := v.r.Get(requestKey(id))
	if err != nil || !ok {
		return nil, false, err
	}
	ps := appendPositions(nil, value)
	if len(ps) != 1 {
		return nil, false, nil
	}
	r, err := v.p.RecordAt(ps[0])
	if err != nil {
		return nil, false, err
	}
	return r.Original(), true, nil
}

// Digest is a hash over all folded state: equal on replicas that hold the same
// records and fold by the same rules.
func (v *Snapshot) Digest() (event.Hash, error) {
	var failed error
	sum := ledger.Digest(func(yield func(event.Key, []byte) bool) {
		failed = v.r.Scan([]byte("s/"), nil, false, func(k, value []byte) (bool, error) {
			return yield(parseEntity(k[2:]), value), nil
		})
	})
	return event.Hash(sum), failed
}

// Rights is the state of rights of this snapshot.
func (v *Snapshot) Rights() (*ledger.Rights, error) {
	r, _, err := Get[*ledger.Rights](v, event.RightsKey)
	return r, err
}

// SetLocal keeps a small fact of this replica alone, outside the state.
func (p *Projection) SetLocal(name string, value []byte) error {
	kept := bytes.Clone(value)
	set := func(w index.Writer) error { return w.Set(localKey(name), kept) }
	err := p.index.Update(set)
	if errors.Is(err, index.ErrCovered) {
		return p.index.Update(set)
	}
	return err
}

// Local reads a small fact of this replica; nil when there is none.
func (p *Projection) Local(name string) ([]byte, error) {
	var out []byte
	err := p.index.View(func(r index.Reader) error {
		v, _, err := r.Get(localKey(name))
		out = append(out, v...)
		return err
	})
	return out, err
}
