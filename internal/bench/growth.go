package bench

import (
	"context"
	"errors"
	"time"
)

// moreRecords is how many records are added in the growth measures.
const moreRecords = 10_000

// growth pushes ten thousand more records to a server that holds few and to one
// that holds many, and compares seconds a record.
func growth(held int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		var few, many pushes
		for _, side := range []struct {
			of   *pushes
			held int64
		}{{&few, 10_000}, {&many, held}} {
			if err := l.prepare(ctx, side.of, l.size(side.held)); err != nil {
				return nil, err
			}
		}
		for range rounds {
			if err := errors.Join(few.push(ctx, l), many.push(ctx, l)); err != nil {
				return nil, err
			}
		}
		const what = "the same with 10,000 records held"
		suffix := ""
		if held != 100_000 {
			suffix = "_1m"
		}
		out := []Result{
			inRounds("growth_ack"+suffix, moreRecords, many.acked, few.acked, what),
			inRounds("growth_folded"+suffix, moreRecords, many.folded, few.folded, what),
		}
		for _, r := range out {
			r.More["held"], r.More["us_a_record"] = l.size(held), r.Seconds*1e6/moreRecords
		}
		return out, nil
	}
}

// pushes are what some pushes of moreRecords took, to a server that holds the laptop's
// earlier ones.
type pushes struct {
	from, hub     *filled
	acked, folded []time.Duration
}

func (l *lab) prepare(ctx context.Context, p *pushes, held int64) (err error) {
	if p.from, err = l.laptop(ctx, held+moreRecords); err != nil {
		return err
	}
	p.hub, err = l.hubUpTo(ctx, p.from, held)
	return err
}

func (p *pushes) push(ctx context.Context, l *lab) error {
	laptop, err := l.copied(p.from)
	if err != nil {
		return err
	}
	dir, err := l.copied(p.hub)
	if err != nil {
		return err
	}
	got, err := push(ctx, laptop, dir, p.from.known)
	p.acked, p.folded = append(p.acked, got.acked), append(p.folded, got.folded)
	return err
}
