package index

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
)

// Cover is an index that goes on in memory while the one below cannot be written,
// as on a disk that is full or fails. What was changed meanwhile lies over it, and
// is written down once the index below takes it again; after a stop it is gone, as
// after an unclean one.
type Cover struct {
	below Index
	last  [][]byte
	tell  func(error)

	update sync.Mutex    // one update at a time
	bytes  atomic.Uint64 // put over the index and not written down yet, as TxnBytes counts

	mu   sync.RWMutex // guards the field below; held to look while a view begins, and to publish
	over *chunks      // nil while the index below is written
}

// mostCovered bounds what lies in memory. The journal's reserve and the room that
// Open and Update leave hold far less.
const mostCovered = 64 << 20

// ErrCovered: the index below failed after the update's function had run, so that
// it must not be run again on what it left. Done anew, the same update goes into memory.
var ErrCovered = errors.New("index: the update was not made, and is to be made again")

// NewCover covers an index. The keys in last say how far the index has come: they
// are written after all others. tell hears why the index below is covered, and nil
// when all is in it again.
func NewCover(below Index, tell func(error), last ...[]byte) *Cover {
	return &Cover{below: below, last: last, tell: tell}
}

// View reads the index below with what lies over it. What is over an index is
// looked up when the view below has begun: only what is in neither could be
// missed, and publish lets nothing be that.
func (c *Cover) View(fn func(Reader) error) error {
	c.mu.RLock()
	began := false
	err := c.below.View(func(r Reader) error {
		over := c.over
		began = true
		c.mu.RUnlock()
		if over == nil {
			return fn(r)
		}
		return fn(covered{r, *over})
	})
	if !began {
		c.mu.RUnlock()
	}
	return err
}

func (c *Cover) publish(over *chunks) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.over = over
}

// Update changes the index below, or what lies over it.
func (c *Cover) Update(fn func(Writer) error) error {
	c.update.Lock()
	defer c.update.Unlock()
	if c.over != nil && (c.bytes.Load() == 0 || c.writeDown() != nil) {
		return c.updateOver(fn)
	}
	ran, own := false, error(nil)
	err := c.below.Update(func(w Writer) error {
		ran, own = true, nil
		own = fn(w)
		return own
	})
	if err == nil || own != nil || errors.Is(err, ErrTooBig) || errors.Is(err, ErrClosed) || errors.Is(err, ErrKey) {
		return err
	}
	c.tell(err)
	c.publish(&chunks{})
	if ran {
		return fmt.Errorf("%w: %w", ErrCovered, err)
	}
	return c.updateOver(fn)
}

// updateOver changes what lies over the index below.
func (c *Cover) updateOver(fn func(Writer) error) error {
	o := &overlay{limit: c.MaxTxnBytes()}
	err := c.View(func(r Reader) error {
		o.base = r
		return fn(o)
	})
	if err == nil {
		err = o.check()
	}
	if err != nil {
		return err
	}
	if bytes := c.bytes.Load(); bytes+uint64(o.bytes) > mostCovered {
		return fmt.Errorf("%w: %d bytes wait for it in memory", ErrNoSpace, bytes)
	}
	c.bytes.Add(uint64(o.bytes))
	next := c.over.apply(slices.Collect(func(yield func(change) bool) {
		for ch := range o.changes.all() {
			if !yield(ch.covering()) {
				return
			}
		}
	}))
	c.publish(&next)
	return nil
}

// Over an index a value has one byte before it, which says whether the key is
// there or was deleted.
const (
	coverDeleted byte = iota
	coverSet
)

func (ch change) covering() change {
	if ch.deleted {
		return change{key: ch.key, value: []byte{coverDeleted}}
	}
	return change{key: ch.key, value: append([]byte{coverSet}, ch.value...)}
}

func (e entry) uncovered() change {
	return change{key: e.key, value: e.value[1:], deleted: e.value[0] == coverDeleted}
}

// writeDown gives what lies over the index to it: first what was set, then what was
// deleted, and last how far the index has come. So a stop in between leaves what
// applying again makes good.
func (c *Cover) writeDown() error {
	var sets, deletes, last []change
	for _, piece := range *c.over {
		for _, e := range piece {
			switch ch := e.uncovered(); {
			case slices.ContainsFunc(c.last, func(k []byte) bool { return string(k) == ch.key }):
				last = append(last, ch)
			case ch.deleted:
				deletes = append(deletes, ch)
			default:
				sets = append(sets, ch)
			}
		}
	}
	for _, list := range [][]change{sets, deletes, last} {
		if err := c.write(list); err != nil {
			return err
		}
	}
	c.publish(nil)
	c.bytes.Store(0)
	c.tell(nil)
	return nil
}

// write puts changes into the index below, in updates that it takes.
func (c *Cover) write(list []change) error {
	for len(list) > 0 {
		n, size := 0, int64(0)
		for n < len(list) && (n == 0 || size+list[n].txnBytes() <= c.MaxTxnBytes()) {
			size += list[n].txnBytes()
			n++
		}
		err := c.below.Update(func(w Writer) error {
			for _, ch := range list[:n] {
				if err := ch.to(w); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		list = list[n:]
	}
	return nil
}

func (ch change) to(w Writer) error {
	if ch.deleted {
		return w.Delete([]byte(ch.key))
	}
	return w.Set([]byte(ch.key), ch.value)
}

// MaxTxnBytes is the one of the index below.
func (c *Cover) MaxTxnBytes() int64 { return c.below.MaxTxnBytes() }

// WrittenBytes counts what the index below took and what waits for it.
func (c *Cover) WrittenBytes() uint64 { return c.below.WrittenBytes() + c.bytes.Load() }

// MemTableBytes is the one of the index below.
func (c *Cover) MemTableBytes() int64 { return c.below.MemTableBytes() }

// Close writes down what it can. What it cannot is applied again at the next start.
func (c *Cover) Close() error {
	c.update.Lock()
	defer c.update.Unlock()
	if c.over != nil {
		_ = c.writeDown() // told when it began
	}
	return c.below.Close()
}

// covered is one state of an index with what lies over it.
type covered struct {
	below Reader
	over  chunks
}

func (v covered) Get(key []byte) ([]byte, bool, error) {
	value, ok, _ := v.over.Get(key) // memory does not fail
	if !ok {
		return v.below.Get(key)
	}
	if value[0] == coverDeleted {
		return nil, false, nil
	}
	return value[1:], true, nil
}

func (v covered) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	var pending []change
	_ = v.over.Scan(prefix, from, reverse, func(key, value []byte) (bool, error) { // memory does not fail
		pending = append(pending, entry{string(key), value}.uncovered())
		return true, nil
	})
	return scanOver(v.below, pending, prefix, from, reverse, fn)
}
