package index

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"sync"
	"sync/atomic"
)

// Cover is an index that can go on in memory over another one, and writes what was
// changed meanwhile down to it later. It does so for two reasons:
//
//   - The index below cannot be written, as on a disk that is full or fails. Then each
//     update tries to write down what lies over it.
//   - Its user has far to go (Gather). Then answers come from memory at once, and each
//     key is written once, in order, when the user has arrived (Settle). Updates do
//     not wait for that.
//
// What lies in memory is gone after a stop, as after an unclean one.
type Cover struct {
	below  Index
	coming []byte
	last   [][]byte
	tell   func(error)

	settle sync.Mutex // one Settle at a time; taken before update
	update sync.Mutex // one update at a time, and one change of the fields below

	gathers  atomic.Bool   // what lies over the index stays there until Settle
	bytes    atomic.Uint64 // over the index, as TxnBytes counts
	topBytes uint64        // of those, not being written down

	mu   sync.RWMutex // guards the field below; held to look while a view begins, and to publish
	over *layers      // nil while the index below is written
}

const (
	// mostCovered bounds what lies in memory. What people write while a disk is full is
	// far less, and whoever gathers settles in time; records that come in bulk from
	// elsewhere can fill it, and then wait in the journal for room.
	mostCovered = 96 << 20
	// gatheredTxnBytes bounds an update that stays in memory.
	gatheredTxnBytes = 4 << 20
)

// ErrCovered: the index below failed after the update's function had run, so that
// it must not be run again on what it left. Done anew, the same update goes into memory.
var ErrCovered = errors.New("index: the update was not made, and is to be made again")

// NewCover covers an index. tell hears why the index below is covered, and nil when all is
// in it again; it hears nothing of what is gathered.
//
// The keys in last say how far the index has come: they are written after all others. A stop
// in between leaves rows below that are ahead of them, so as long as any may be there, the key
// coming has the value that the very last key is about to have.
func NewCover(below Index, tell func(error), coming []byte, last ...[]byte) *Cover {
	return &Cover{below: below, coming: coming, last: last, tell: tell}
}

// Below is the index that is covered.
func (c *Cover) Below() Index { return c.below }

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
		return fn(over.on(r))
	})
	if !began {
		c.mu.RUnlock()
	}
	return err
}

func (c *Cover) publish(over *layers) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.over = over
}

// Update changes the index below, or what lies over it.
func (c *Cover) Update(fn func(Writer) error) error {
	c.update.Lock()
	defer c.update.Unlock()
	if c.over != nil && (c.gathers.Load() || c.topBytes == 0 || c.writeDown() != nil) {
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
	c.publish(&layers{})
	if ran {
		return fmt.Errorf("%w: %w", ErrCovered, err)
	}
	return c.updateOver(fn)
}

// updateOver changes what lies over the index below.
func (c *Cover) updateOver(fn func(Writer) error) error {
	o := &overlay{limit: c.MaxTxnBytes(), most: c.below.MaxTxnBytes()}
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
	top, grown := c.over.top.apply(slices.Collect(o.changes.all()), true)
	c.topBytes += uint64(grown)
	c.bytes.Add(uint64(grown))
	c.publish(&layers{top: top, down: c.over.down, ground: c.over.ground})
	return nil
}

// writeDown gives all that lies over the index to it. The update lock is held.
func (c *Cover) writeDown() error {
	if err := c.write(context.Background(), c.over.top); err != nil {
		return err
	}
	c.uncover()
	c.tell(nil)
	return nil
}

// uncover says that all is in the index below.
func (c *Cover) uncover() {
	c.publish(nil)
	c.bytes.Store(0)
	c.topBytes = 0
	c.gathers.Store(false)
}

// write gives changes to the index below: first what was set, then what was deleted,
// and last how far the index has come. So a stop in between leaves what applying again
// makes good, and a note of how far that goes: it is in each update, since of updates that
// are not synced an older one can be lost.
func (c *Cover) write(ctx context.Context, over chunks) error {
	isLast := func(ch change) bool {
		return slices.ContainsFunc(c.last, func(k []byte) bool { return string(k) == ch.key })
	}
	coming, behind := c.announced(over)
	for _, turn := range []struct {
		with  []change
		which iter.Seq[change]
	}{
		{coming, over.where(func(ch change) bool { return !ch.deleted && !isLast(ch) })},
		{coming, over.where(func(ch change) bool { return ch.deleted && !isLast(ch) })},
		{nil, both(over.where(isLast), slices.Values(behind))},
	} {
		for list := range c.updates(turn.with, turn.which) {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := c.below.Update(func(w Writer) error { return setAll(w, list) }); err != nil {
				return err
			}
		}
	}
	return nil
}

// announced is what says how far changes go as long as they are being written down, and
// what takes that away behind them.
func (c *Cover) announced(over chunks) (coming, behind []change) {
	if len(c.last) == 0 {
		return nil, nil
	}
	value, ok := over.value(c.last[len(c.last)-1])
	if !ok || value == nil {
		return nil, nil
	}
	return []change{{key: string(c.coming), value: value}}, []change{{key: string(c.coming), deleted: true}}
}

func both(a, b iter.Seq[change]) iter.Seq[change] {
	return func(yield func(change) bool) {
		for _, all := range []iter.Seq[change]{a, b} {
			for ch := range all {
				if !yield(ch) {
					return
				}
			}
		}
	}
}

// updates cuts changes in lists that the index below takes in one update, each with some
// that are in all of them. A list is valid until the next one.
func (c *Cover) updates(with []change, all iter.Seq[change]) iter.Seq[[]change] {
	least := int64(0)
	for _, ch := range with {
		least += ch.txnBytes()
	}
	return func(yield func([]change) bool) {
		list, size := slices.Clone(with), least
		for ch := range all {
			if len(list) > len(with) && size+ch.txnBytes() > c.below.MaxTxnBytes() {
				if !yield(list) {
					return
				}
				list, size = list[:len(with)], least
			}
			list, size = append(list, ch), size+ch.txnBytes()
		}
		if len(list) > len(with) {
			yield(list)
		}
	}
}

func setAll(w Writer, list []change) error {
	for _, ch := range list {
		if err := ch.to(w); err != nil {
			return err
		}
	}
	return nil
}

func (ch change) to(w Writer) error {
	if ch.deleted {
		return w.Delete([]byte(ch.key))
	}
	return w.Set([]byte(ch.key), ch.value)
}

// MaxTxnBytes is the one of the index below, and more while updates are gathered.
func (c *Cover) MaxTxnBytes() int64 {
	if c.gathers.Load() {
		return gatheredTxnBytes
	}
	return c.below.MaxTxnBytes()
}

// Persist is the one of the index below.
func (c *Cover) Persist() (bool, error) { return c.below.Persist() }

// Close writes down what it can. What it cannot is applied again at the next start.
func (c *Cover) Close() error {
	c.settle.Lock()
	defer c.settle.Unlock()
	c.update.Lock()
	defer c.update.Unlock()
	if c.over != nil {
		_ = c.write(context.Background(), c.over.top) // told when it began
	}
	return c.below.Close()
}
