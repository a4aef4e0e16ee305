// Package indextest has an index for simulations and tests that can come back
// from a crash with some of its updates missing.
package indextest

import (
	"slices"

	"thawtrail/internal/store/index"
)

// Trail is an index in memory that remembers every update. It is not open until
// Reopened.
type Trail struct {
	*index.Memory
	updates [][]change

	// Refuse is what every update fails with, as on a full disk; nil for none.
	Refuse error
	// Persisted is how many updates outlive a stop of the machine whatever happens.
	Persisted int
}

type change struct {
	key, value []byte
	deleted    bool
}

// Update does it and remembers what changed.
func (t *Trail) Update(fn func(index.Writer) error) error {
	if t.Refuse != nil {
		return t.Refuse
	}
	r := &recorder{}
	err := t.Memory.Update(func(w index.Writer) error {
		r.Writer = w
		return fn(r)
	})
	if err == nil {
		t.updates = append(t.updates, r.changes)
	}
	return err
}

type recorder struct {
	index.Writer
	changes []change
	block   []byte // where keys and values are kept
}

// blockBytes is how many bytes are taken at once for keys and values.
const blockBytes = 8 << 10

// keep copies bytes that the caller may change.
func (r *recorder) keep(b []byte) []byte {
	if len(b) > cap(r.block)-len(r.block) {
		r.block = make([]byte, 0, max(blockBytes, len(b)))
	}
	n := len(r.block)
	r.block = append(r.block, b...)
	return r.block[n:len(r.block):len(r.block)]
}

func (r *recorder) Set(key, value []byte) error {
	r.changes = append(r.changes, change{r.keep(key), r.keep(value), false})
	return r.Writer.Set(key, value)
}

func (r *recorder) Delete(key []byte) error {
	r.changes = append(r.changes, change{key: r.keep(key), deleted: true})
	return r.Writer.Delete(key)
}

// Persist notes that what was updated so far cannot be lost any more.
func (t *Trail) Persist() (bool, error) {
	t.Persisted = len(t.updates)
	return true, nil
}

// Len is the number of updates.
func (t *Trail) Len() int { return len(t.updates) }

// entryBytes is the least that a table in memory spends on an entry beside its key
// and value.
const entryBytes = 24

// Bytes is what an update takes in a table in memory, at the least.
func (t *Trail) Bytes(update int) int {
	n := 0
	for _, c := range t.updates[update] {
		n += len(c.key) + len(c.value) + entryBytes
	}
	return n
}

// AsOf is the trail after its first n updates: what is not synced can be lost.
func (t *Trail) AsOf(n int) *Trail {
	return &Trail{updates: t.updates[:n:n], Persisted: min(t.Persisted, n)}
}

// Without is the trail without some updates from its middle: what is left when an
// older of several write-ahead logs is cut and the newer ones are whole.
func (t *Trail) Without(from, to int) *Trail {
	return &Trail{updates: slices.Concat(t.updates[:from], t.updates[to:]), Persisted: t.Persisted}
}

// Reopened is the same trail over a new index in memory.
func (t *Trail) Reopened() *Trail {
	next := &Trail{Memory: index.NewMemory(), updates: t.updates, Persisted: t.Persisted}
	for _, changes := range t.updates {
		err := next.Memory.Update(func(w index.Writer) error {
			for _, c := range changes {
				if err := c.apply(w); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil { // it fitted before
			panic("indextest: " + err.Error())
		}
	}
	return next
}

func (c change) apply(w index.Writer) error {
	if c.deleted {
		return w.Delete(c.key)
	}
	return w.Set(c.key, c.value)
}
