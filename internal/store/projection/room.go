package projection

import (
	"context"
	"errors"
	"fmt"

	"thawtrail/internal/store/index"
)

// A disk that is nearly full or fails must not keep tonight's records out, nor out
// of the answers. The journal has a reserve for them; the index, which can be
// rebuilt, stops growing before the disk is full and goes on in memory.

const noRoom = "the disk is nearly full: entries are still saved, but the index cannot grow and is kept in memory. Make room"

// covered notes why the index cannot be written, and nil when it can be again.
func (p *Projection) covered(err error) {
	switch {
	case err == nil:
		p.trouble.Store(nil)
		p.opt.Repaired("the index could be written again, and all is in it")
		return
	case errors.Is(err, index.ErrNoSpace):
		p.opt.Repaired(noRoom)
	default:
		p.opt.Repaired(fmt.Sprintf("the index cannot be written (%v): entries are still saved, and the index goes on in memory", err))
	}
	p.trouble.Store(&err)
}

// Trouble is why the index cannot be written now; nil while it can.
func (p *Projection) Trouble() error {
	if err := p.trouble.Load(); err != nil {
		return *err
	}
	return nil
}

// catchUpIfRoom catches up unless even the index in memory is full: an answer that
// is a little old is better than none.
func (p *Projection) catchUpIfRoom(ctx context.Context) error {
	err := p.CatchUp(ctx)
	if errors.Is(err, index.ErrNoSpace) {
		p.opt.Repaired("answers are older than the newest entries: the disk is nearly full, and so is the index in memory. Make room")
		return nil
	}
	return err
}
