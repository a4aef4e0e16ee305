package projection

import (
	"context"
	"errors"

	"thawtrail/internal/store/index"
)

// A nearly full disk must not keep tonight's records out. The journal has a
// reserve for them; the index, which can be rebuilt, stops growing before the
// disk is full. Then answers come from what it held last, or, when the replica
// is opened in that state, from an index in memory.

const noRoom = "the disk is nearly full: entries are still saved, but the index cannot grow. Make room, then start again"

// catchUpIfRoom catches up unless the disk is nearly full: an answer that is a
// little old is better than none.
func (p *Projection) catchUpIfRoom(ctx context.Context) error {
	err := p.CatchUp(ctx)
	if !errors.Is(err, index.ErrNoSpace) {
		return err
	}
	p.opt.Repaired(noRoom)
	return nil
}
