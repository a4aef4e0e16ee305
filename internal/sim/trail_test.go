package sim

import (
	"context"

	"thawtrail/internal/store/index"
)

var ctx = context.Background()

// trail is an index in memory that can come back as it was some updates ago: a
// crash may take the newest ones, for the index is not synced.
type trail struct {
	*index.Memory
	updates [][]change
}

type change struct {
	key, value []byte
	deleted    bool
}

// Update remembers what changed.
func (t *trail) Update(fn func(index.Writer) error) error {
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
}

func (r *recorder) Set(key, value []byte) error {
	r.changes = append(r.changes, change{append([]byte(nil), key...), append([]byte(nil), value...), false})
	return r.Writer.Set(key, value)
}

func (r *recorder) Delete(key []byte) error {
	r.changes = append(r.changes, change{key: append([]byte(nil), key...), deleted: true})
	return r.Writer.Delete(key)
}

// asOf is the trail after its first n updates.
func (t *trail) asOf(n int) *trail { return &trail{updates: t.updates[:n:n]} }

// reopened is the same trail with a new index in memory.
func (t *trail) reopened() *trail {
	next := &trail{Memory: index.NewMemory(), updates: t.updates}
	for _, changes := range t.updates {
		err := next.Memory.Update(func(w index.Writer) error {
			for _, c := range changes {
				if c.deleted {
					if err := w.Delete(c.key); err != nil {
						return err
					}
				} else if err := w.Set(c.key, c.value); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			panic(err)
		}
	}
	return next
}
