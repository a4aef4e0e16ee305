package index

import (
	"bytes"
	"slices"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
)

const (
	// chunkEntries is the most entries in a chunk before it is split: few, since an
	// update with keys from everywhere copies a chunk for nearly each of them.
	chunkEntries = 64

	defaultMemTable = 4 << 20
	// memoryTxnBytes is near the limit on the disk, so that what passes in a
	// simulation passes there.
	memoryTxnBytes = defaultMemTable * 15 / 100
)

type entry struct {
	key   string
	value []byte
}

// chunks are sorted entries, cut in pieces that are never empty. An update
// copies the pieces it touches; a reader keeps the ones it began with.
//
// Over another index (layers.go) an entry without a value says that its key was
// deleted. Everywhere else each has one, be it empty.
type chunks [][]entry

// Memory is an index in memory.
type Memory struct {
	update sync.Mutex // one update at a time
	state  atomic.Pointer[chunks]
	closed atomic.Bool
}

// NewMemory gives an empty index in memory.
func NewMemory() *Memory {
	m := &Memory{}
	m.state.Store(&chunks{})
	return m
}

// View reads the present state.
func (m *Memory) View(fn func(Reader) error) error {
	if m.closed.Load() {
		return ErrClosed
	}
	return fn(*m.state.Load())
}

// Update changes the state at once or not at all.
func (m *Memory) Update(fn func(Writer) error) error {
	m.update.Lock()
	defer m.update.Unlock()
	if m.closed.Load() {
		return ErrClosed
	}
	now := *m.state.Load()
	o := &overlay{base: now, limit: memoryTxnBytes}
	if err := fn(o); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	next, _ := now.apply(slices.Collect(o.changes.all()), false)
	m.state.Store(&next)
	return nil
}

// MaxTxnBytes is near the limit of the index on the disk.
func (m *Memory) MaxTxnBytes() int64 { return memoryTxnBytes }

// Persist says yes: what lies in memory has no other life to outlive.
func (m *Memory) Persist() (bool, error) { return true, nil }

// Close refuses all later use.
func (m *Memory) Close() error {
	m.closed.Store(true)
	return nil
}

// Get finds one key.
func (c chunks) Get(key []byte) ([]byte, bool, error) {
	value, ok := c.value(key)
	return value, ok, nil
}

// Has looks for one key.
func (c chunks) Has(key []byte) (bool, error) {
	_, ok := c.value(key)
	return ok, nil
}

func (c chunks) value(key []byte) ([]byte, bool) {
	i, k, ok := c.find(key)
	if !ok {
		return nil, false
	}
	return c[i][k].value, true
}

// find gives the place of the first entry not before key. The place may be one
// past a chunk's end.
func (c chunks) find(key []byte) (chunk, at int, ok bool) {
	low, high := 0, len(c)
	for low < high {
		if mid := (low + high) / 2; c[mid][len(c[mid])-1].key < string(key) {
			low = mid + 1
		} else {
			high = mid
		}
	}
	if low == len(c) {
		return low, 0, false
	}
	at, ok = searchEntries(c[low], key)
	return low, at, ok
}

func searchEntries(entries []entry, key []byte) (int, bool) {
	low, high := 0, len(entries)
	for low < high {
		if mid := (low + high) / 2; entries[mid].key < string(key) {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low, low < len(entries) && entries[low].key == string(key)
}

// Scan walks the chunks from the starting place.
func (c chunks) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	if reverse {
		return c.scanBack(prefix, from, fn)
	}
	if bytes.Compare(from, prefix) < 0 {
		from = prefix
	}
	for i, at, _ := c.find(from); i < len(c); i, at = i+1, 0 {
		for _, e := range c[i][at:] {
			if !strings.HasPrefix(e.key, string(prefix)) {
				return nil
			}
			if more, err := fn([]byte(e.key), e.value); err != nil || !more {
				return err
			}
		}
	}
	return nil
}

func (c chunks) scanBack(prefix, from []byte, fn func(key, value []byte) (bool, error)) error {
	for i, at := c.last(prefix, from); i >= 0; {
		for ; at >= 0; at-- {
			e := c[i][at]
			if !strings.HasPrefix(e.key, string(prefix)) {
				return nil
			}
			if more, err := fn([]byte(e.key), e.value); err != nil || !more {
				return err
			}
		}
		if i--; i >= 0 {
			at = len(c[i]) - 1
		}
	}
	return nil
}

// last is the place of the last entry that has the prefix, or is before it, and
// is not after from; chunk -1 when there is none.
func (c chunks) last(prefix, from []byte) (chunk, at int) {
	end, inclusive := successor(prefix), false
	if from != nil && (end == nil || bytes.Compare(from, end) < 0) {
		end, inclusive = from, true
	}
	if end == nil {
		chunk, at = len(c), 0
	} else {
		var ok bool
		if chunk, at, ok = c.find(end); ok && inclusive {
			return chunk, at
		}
	}
	if at--; at < 0 {
		if chunk--; chunk >= 0 {
			at = len(c[chunk]) - 1
		}
	}
	return chunk, at
}

// apply gives the next state, and how many bytes more it counts for; changes are in
// order of key. What is deleted goes, or stays as an entry without a value.
func (c chunks) apply(changes []change, keepDeleted bool) (next chunks, grown int64) {
	m := merger{keepDeleted: keepDeleted}
	next = make(chunks, 0, len(c)+1)
	for i, chunk := range c {
		n := len(changes)
		if i < len(c)-1 {
			first := c[i+1][0].key
			n = sort.Search(len(changes), func(k int) bool { return changes[k].key >= first })
		}
		if n == 0 {
			next = append(next, chunk)
			continue
		}
		next = next.add(m.merged(chunk, changes[:n]))
		changes = changes[n:]
	}
	return next.add(m.merged(nil, changes)), m.grown
}

// add appends entries in chunks of a fair size.
func (c chunks) add(entries []entry) chunks {
	for len(entries) > 0 {
		n := len(entries)
		if n > chunkEntries {
			n = min(n/2, chunkEntries)
		}
		c = append(c, entries[:n:n])
		entries = entries[n:]
	}
	return c
}

// merger makes changes in entries.
type merger struct {
	keepDeleted bool
	grown       int64
}

// merged gives a new slice of entries with the changes made.
func (m *merger) merged(entries []entry, changes []change) []entry {
	out := make([]entry, 0, len(entries)+len(changes))
	for _, ch := range changes {
		at, found := searchEntries(entries, []byte(ch.key))
		out = append(out, entries[:at]...)
		if found {
			m.grown -= TxnBytes([]byte(ch.key), entries[at].value)
			at++
		}
		entries = entries[at:]
		if !ch.deleted || m.keepDeleted {
			m.grown += ch.txnBytes()
			out = append(out, entry{ch.key, ch.value})
		}
	}
	return append(out, entries...)
}

// ahead gives the changes that a scan meets, in its order, read from entries over
// another index.
func (c chunks) ahead(prefix, from []byte, reverse bool) ahead {
	if reverse {
		return c.aheadBack(prefix, from)
	}
	if bytes.Compare(from, prefix) < 0 {
		from = prefix
	}
	i, at, _ := c.find(from)
	return func() (change, bool) {
		for i < len(c) && at == len(c[i]) {
			i, at = i+1, 0
		}
		if i == len(c) || !strings.HasPrefix(c[i][at].key, string(prefix)) {
			return change{}, false
		}
		at++
		return c[i][at-1].change(), true
	}
}

func (c chunks) aheadBack(prefix, from []byte) ahead {
	i, at := c.last(prefix, from)
	return func() (change, bool) {
		if i >= 0 && at < 0 {
			if i--; i >= 0 {
				at = len(c[i]) - 1
			}
		}
		if i < 0 || !strings.HasPrefix(c[i][at].key, string(prefix)) {
			return change{}, false
		}
		at--
		return c[i][at+1].change(), true
	}
}

// change is an entry over another index as the change that it stands for.
func (e entry) change() change { return change{key: e.key, value: e.value, deleted: e.value == nil} }
