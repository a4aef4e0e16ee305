package projection

import (
	"context"
	"errors"

	"thawtrail/internal/store/index"
)

// Far behind the journal, as on an empty laptop or with an index that is built anew,
// the index gathers what is applied to it in memory: entities that are touched again
// and again are written once, in the order of keys, and nothing is merged until all is
// there. Answers come from memory meanwhile. When the replica has come to rest, or
// much was gathered, it settles.
//
// A stop before that costs applying again what was gathered, and no more: what lay in
// the index before is made durable first (anchors, cursor.go).

const (
	// farRecords is how many records behind is far.
	farRecords = 2048
	// mostGathered is how many bytes are gathered before they are written down.
	mostGathered = 48 << 20
)

// gather lets the index gather; the applier is held.
func (p *Projection) gather() error {
	if p.gathers() {
		return nil
	}
	p.base = p.cursor
	return p.cover.Gather()
}

func (p *Projection) gathers() bool {
	_, gathers := p.cover.Gathered()
	return gathers
}

// counted is how many bytes of a transaction the cursor counts: none while they stay
// in memory. To count too few is safe: applying again starts further back.
func (p *Projection) counted(bytes uint64) uint64 {
	if p.gathers() {
		return 0
	}
	return bytes
}

// settleIfFull writes down what was gathered when it is much.
func (p *Projection) settleIfFull(ctx context.Context) error {
	if bytes, gathers := p.cover.Gathered(); !gathers || bytes < mostGathered {
		return nil
	}
	_, err := p.Settle(ctx)
	return err
}

// Settle writes down what the index has gathered, for when the replica has come to
// rest. It holds nobody up but the fold of what is far behind. settled is false when
// it is worth asking again a little later: a stop of the machine could still undo it.
func (p *Projection) Settle(ctx context.Context) (settled bool, err error) {
	p.settling.Lock()
	defer p.settling.Unlock()
	if p.gathers() {
		p.loose = true
		err := p.anchorBase()
		if err == nil {
			err = p.cover.Settle(ctx)
		}
		switch {
		case ctx.Err() != nil:
			return false, ctx.Err()
		case errors.Is(err, index.ErrClosed):
			return false, err
		case err != nil:
			return false, nil // it was told, and goes on in memory
		}
	}
	if !p.loose {
		return true, nil
	}
	durable, err := p.anchorHere()
	p.loose = !durable
	return durable, err
}

// anchorBase makes durable what lay in the index before it gathered, and says so there.
func (p *Projection) anchorBase() error {
	below := p.cover.Below()
	durable, err := below.Persist()
	if err != nil || !durable {
		return err
	}
	p.applier.Lock()
	base := p.base.anchored(p.base.here())
	p.applier.Unlock()
	if base.pos.IsZero() {
		return nil
	}
	value, err := base.encode()
	if err != nil {
		return err
	}
	return below.Update(func(w index.Writer) error { return w.Set(cursorKey, value) })
}

// anchorHere makes durable what was settled, and notes how far that goes.
func (p *Projection) anchorHere() (durable bool, err error) {
	p.applier.Lock()
	at, gathers := p.cursor.here(), p.gathers()
	p.applier.Unlock()
	if gathers || p.Trouble() != nil {
		return false, nil
	}
	if durable, err = p.index.Persist(); err != nil || !durable {
		return false, err
	}
	p.applier.Lock()
	defer p.applier.Unlock()
	if p.closed.Load() {
		return false, ErrClosed
	}
	moved, err := p.update(p.application(nil), func() (cursor, error) { return p.cursor.anchored(at), nil })
	if err != nil {
		return false, nil // the index below failed: it was told, and goes on in memory
	}
	p.cursor = moved
	return true, nil
}
