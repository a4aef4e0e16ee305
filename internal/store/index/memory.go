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
	// chunkEntries is the most entries in a chunk before it is split.
	chunkEntries = 256

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
type chunks [][]entry

// Memory is an index in memory.
type Memory struct {
	update  sync.Mutex // one update at a time
	state   atomic.Pointer[chunks]
	written atomic.Uint64
	closed  atomic.Bool
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
	next := now.apply(slices.Collect(o.changes.all()))
	m.state.Store(&next)
	m.written.Add(uint64(o.bytes))
	return nil
}

// MaxTxnBytes is near the limit of the index on the disk.
func (m *Memory) MaxTxnBytes() int64 { return memoryTxnBytes }

// MemTableBytes is the same as on the disk.
func (m *Memory) MemTableBytes() int64 { return defaultMemTable }

// WrittenBytes counts updates since NewMemory.
func (m *Memory) WrittenBytes() uint64 { return m.written.Load() }

// Close refuses all later use.
func (m *Memory) Close() error {
	m.closed.Store(true)
	return nil
}

// Get finds one key.
func (c chunks) Get(key []byte) ([]byte, bool, error) {
	i, k, ok := c.find(string(key))
	if !ok {
		return nil, false, nil
	}
	return c[i][k].value, true, nil
}

// find gives the place of the first entry not before key. The place may be one
// past a chunk's end.
func (c chunks) find(key string) (chunk, at int, ok bool) {
	chunk = sort.Search(len(c), func(i int) bool { return c[i][len(c[i])-1].key >= key })
	if chunk == len(c) {
		return chunk, 0, false
	}
	at, ok = searchEntries(c[chunk], key)
	return chunk, at, ok
}

func searchEntries(entries []entry, key string) (int, bool) {
	return slices.BinarySearchFunc(entries, key, func(e entry, k string) int { return strings.Compare(e.key, k) })
}

// Scan walks the chunks from the starting place.
func (c chunks) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	if reverse {
		return c.scanBack(prefix, from, fn)
	}
	if bytes.Compare(from, prefix) < 0 {
		from = prefix
	}
	for i, at, _ := c.find(string(from)); i < len(c); i, at = i+1, 0 {
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
		if chunk, at, ok = c.find(string(end)); ok && inclusive {
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

// apply gives the next state; changes are in order of key.
func (c chunks) apply(changes []change) chunks {
	next := make(chunks, 0, len(c)+1)
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
		next = next.add(mergeEntries(chunk, changes[:n]))
		changes = changes[n:]
	}
	return next.add(mergeEntries(nil, changes))
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

// mergeEntries gives a new slice of entries with the changes made.
func mergeEntries(entries []entry, changes []change) []entry {
	out := make([]entry, 0, len(entries)+len(changes))
	for _, ch := range changes {
		at, found := searchEntries(entries, ch.key)
		out = append(out, entries[:at]...)
		if found {
			at++
		}
		entries = entries[at:]
		if !ch.deleted {
			out = append(out, entry{ch.key, ch.value})
		}
	}
	return append(out, entries...)
}
