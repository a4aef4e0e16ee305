package index

import (
	"bytes"
	"fmt"
)

// change is one pending key; a delete has no value.
type change struct {
	key     string
	value   []byte
	deleted bool
}

// overlay is an update in progress: the state it began from and, over it, the
// changes so far. Both kinds of index use it, so both show an update the same.
type overlay struct {
	base    Reader
	changes changeList
	bytes   int64 // sum of TxnBytes
	limit   int64 // of that sum
	most    int64 // of a single change; 0 for the limit
	tooBig  bool
}

func (o *overlay) Get(key []byte) ([]byte, bool, error) {
	if c := o.changes.find(key); c != nil {
		return c.value, !c.deleted, nil
	}
	return o.base.Get(key)
}

func (o *overlay) Has(key []byte) (bool, error) {
	if c := o.changes.find(key); c != nil {
		return !c.deleted, nil
	}
	return o.base.Has(key)
}

func (o *overlay) Set(key, value []byte) error {
	if value == nil {
		value = []byte{} // nil stands for a key that was deleted
	}
	return o.put(change{key: string(key), value: value})
}

func (o *overlay) Delete(key []byte) error {
	return o.put(change{key: string(key), deleted: true})
}

func (o *overlay) put(c change) error {
	if err := checkKey([]byte(c.key)); err != nil {
		return err
	}
	if old, ok := o.changes.put(c); ok {
		o.bytes -= old.txnBytes()
	}
	o.bytes += c.txnBytes()
	o.tooBig = o.tooBig || o.bytes > o.limit || o.most > 0 && c.txnBytes() > o.most
	return o.check()
}

// check fails an update that ever was too big, even when its function went on.
func (o *overlay) check() error {
	if o.tooBig {
		return fmt.Errorf("%w: over %d bytes", ErrTooBig, o.limit)
	}
	return nil
}

func (c change) txnBytes() int64 { return int64(len(c.key) + len(c.value) + entryBytes) }

// Scan merges the pending changes into a scan of the state below.
func (o *overlay) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	return scanOver(o.base, listed(o.changes.within(prefix, from, reverse)), prefix, from, reverse, fn)
}

// ahead gives the changes that a scan meets, one at each call, in the scan's order;
// ok is false after the last.
type ahead func() (c change, ok bool)

func listed(changes []change) ahead {
	return func() (change, bool) {
		if len(changes) == 0 {
			return change{}, false
		}
		c := changes[0]
		changes = changes[1:]
		return c, true
	}
}

// scanOver scans a state with changes over it: those that the scan can meet.
func scanOver(base Reader, pending ahead, prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	m := merge{pending: pending, reverse: reverse, fn: fn}
	m.next, m.more = pending()
	err := base.Scan(prefix, from, reverse, func(key, value []byte) (bool, error) {
		covered, err := m.before(key)
		if err != nil || m.stopped {
			return false, err
		}
		if covered {
			return true, nil
		}
		return m.emit(key, value)
	})
	if err != nil || m.stopped {
		return err
	}
	_, err = m.before(nil)
	return err
}

// merge hands on keys from two ordered sources.
type merge struct {
	pending ahead
	next    change // the first that is pending, when there is more
	more    bool
	reverse bool
	stopped bool
	fn      func(key, value []byte) (bool, error)
}

// before emits the pending changes that come before key (all, for nil) and says
// whether a pending change takes the place of key itself.
func (m *merge) before(key []byte) (covered bool, err error) {
	for m.more {
		c := m.next
		order := -1
		if key != nil {
			order = bytes.Compare([]byte(c.key), key)
			if m.reverse {
				order = -order
			}
		}
		if order > 0 {
			return covered, nil
		}
		covered = covered || order == 0
		m.next, m.more = m.pending()
		if c.deleted {
			continue
		}
		if more, err := m.emit([]byte(c.key), c.value); err != nil || !more {
			return covered, err
		}
	}
	return covered, nil
}

func (m *merge) emit(key, value []byte) (bool, error) {
	more, err := m.fn(key, value)
	m.stopped = !more || err != nil
	return more, err
}
