package index

import (
	"context"
	"iter"
)

// Gather keeps all updates in memory from now on, until Settle. An index that is
// covered for another reason stays so. Where little lies below, as on a laptop that has
// just joined, it is read once, so that it need not be asked again for all that it
// does not have.
func (c *Cover) Gather() error {
	c.update.Lock()
	defer c.update.Unlock()
	if c.over != nil {
		return nil
	}
	ground, err := c.ground()
	if err != nil {
		return err
	}
	c.gathers.Store(true)
	c.publish(&layers{ground: ground})
	return nil
}

// mostGround is how many keys of the index below, and mostGroundBytes how many bytes,
// are little.
const (
	mostGround      = 4096
	mostGroundBytes = 4 << 20
)

// ground is all that lies below; nil when that is too much.
func (c *Cover) ground() (ground *chunks, err error) {
	var all []change
	size := int64(0)
	err = c.below.View(func(r Reader) error {
		return r.Scan(nil, nil, false, func(key, value []byte) (bool, error) {
			ch := change{key: string(key), value: append([]byte{}, value...)}
			all, size = append(all, ch), size+ch.txnBytes()
			return len(all) <= mostGround && size <= mostGroundBytes, nil
		})
	})
	if err != nil || len(all) > mostGround || size > mostGroundBytes {
		return nil, err
	}
	read, _ := chunks{}.apply(all, false)
	return &read, nil
}

// Gathered says whether updates are being gathered, and how many bytes wait.
func (c *Cover) Gathered() (bytes uint64, gathers bool) {
	return c.bytes.Load(), c.gathers.Load()
}

// Settle writes down what was gathered, and ends the gathering. Updates go on
// meanwhile, in memory, and are written down after it. On an error of the index below
// it is covered until it can be written; after an end of ctx it still gathers.
func (c *Cover) Settle(ctx context.Context) error {
	c.settle.Lock()
	defer c.settle.Unlock()
	for {
		down, more := c.lower()
		if !more {
			return nil
		}
		if err := c.write(ctx, down); err != nil {
			c.lift(err, ctx.Err() == nil)
			return err
		}
		c.lowered()
	}
}

// lower takes all that was gathered to be written down; more is false once nothing is
// left and the gathering has ended.
func (c *Cover) lower() (down chunks, more bool) {
	c.update.Lock()
	defer c.update.Unlock()
	if !c.gathers.Load() {
		return nil, false
	}
	if down = c.over.top; len(down) == 0 {
		c.uncover()
		return nil, false
	}
	c.topBytes = 0
	c.publish(&layers{down: down})
	return down, true
}

// lowered says that what lower took is in the index below.
func (c *Cover) lowered() {
	c.update.Lock()
	defer c.update.Unlock()
	c.publish(&layers{top: c.over.top})
	c.bytes.Store(c.topBytes)
}

// lift takes back what could not be written down, under what came since. failed says
// that the index below is to blame.
func (c *Cover) lift(err error, failed bool) {
	c.update.Lock()
	defer c.update.Unlock()
	var changes []change
	for ch := range c.over.top.where(func(change) bool { return true }) {
		changes = append(changes, ch)
	}
	top, grown := c.over.down.apply(changes, true)
	c.topBytes = c.bytes.Load() - c.topBytes + uint64(grown)
	c.bytes.Store(c.topBytes)
	c.publish(&layers{top: top})
	if failed {
		c.gathers.Store(false)
		c.tell(err)
	}
}

// layers are the changes that lie over an index: down is being written down to it and
// stays as it is, top takes what comes meanwhile. ground is all that lies in the index,
// as long as nothing was written down; nil when that was too much to read.
type layers struct {
	top, down chunks
	ground    *chunks
}

// on reads an index with the layers over it.
func (l *layers) on(base Reader) Reader {
	if l.ground != nil {
		base = *l.ground
	}
	if len(l.down) > 0 {
		base = layered{base, l.down}
	}
	return layered{base, l.top}
}

// layered reads a state with changes over it.
type layered struct {
	base Reader
	over chunks
}

func (l layered) Get(key []byte) ([]byte, bool, error) {
	if value, ok := l.over.value(key); ok {
		return value, value != nil, nil
	}
	return l.base.Get(key)
}

func (l layered) Has(key []byte) (bool, error) {
	if value, ok := l.over.value(key); ok {
		return value != nil, nil
	}
	return l.base.Has(key)
}

func (l layered) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	return scanOver(l.base, l.over.ahead(prefix, from, reverse), prefix, from, reverse, fn)
}

// where gives, in order of key, the changes that entries over an index stand for and
// that which takes.
func (c chunks) where(which func(change) bool) iter.Seq[change] {
	return func(yield func(change) bool) {
		for _, chunk := range c {
			for _, e := range chunk {
				if ch := e.change(); which(ch) && !yield(ch) {
					return
				}
			}
		}
	}
}
