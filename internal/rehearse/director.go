package rehearse

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// lookEvery is how often the script looks when nothing was entered.
const lookEvery = 500 * time.Millisecond

// direct does what the clinic and the network do, when the vet has come so far.
func (a *act) direct(ctx context.Context) {
	for ctx.Err() == nil {
		changed := a.laptop.Store.Changed()
		if err := a.step(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, context.Canceled) {
			a.stage.cfg.Log.Error("the script of the rehearsal", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-changed:
		case <-time.After(lookEvery):
		}
	}
}

// step does at most one thing.
func (a *act) step(ctx context.Context) error {
	f, err := a.read(ctx)
	if err != nil {
		return err
	}
	a.mu.Lock()
	d, before := a.done, a.done
	a.mu.Unlock()
	now := a.clock.Monotonic()
	if len(f.thaws) > 0 && d.bathMs == 0 {
		d.bathMs = max(1, now.Milliseconds())
	}
	switch {
	case !d.held && d.bathMs != 0 && !f.started && f.bag != nil && now.Milliseconds()-d.bathMs >= a.stage.cfg.Calm.Milliseconds():
		err = a.hold(ctx, f.bag.Product, f.bag.Batch)
		d.held = err == nil
	case !d.cut && (len(f.thaws) > 1 || f.started) && !f.ended:
		a.wire.Cut()
		d.cut = true
	case d.cut && !d.back && f.ended:
		a.wire.Restore()
		d.back = true
	}
	if d != before {
		a.mu.Lock()
		a.done = d
		a.mu.Unlock()
		a.wake()
	}
	return err
}

// hold is the maker's call to the clinic.
func (a *act) hold(ctx context.Context, product, batch string) error {
	_, err := a.write(ctx, clinician, &pb.Entry{Body: &pb.Entry_BatchHeld{BatchHeld: &pb.BatchHeld{
		Product: product, Batch: batch, Reason: say.Text("rehearsal.hold_reason"),
	}}})
	return err
}
