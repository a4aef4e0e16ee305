package bench

import (
	"context"
	"time"
)

// moreRecords is how many records are added in the growth measures.
const moreRecords = 10_000

// growth pushes ten thousand more records to a server that holds few and to one
// that holds many, and compares seconds a record.
func growth(held int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		few, err := l.pushMore(ctx, l.size(10_000))
		if err != nil {
			return nil, err
		}
		many, err := l.pushMore(ctx, l.size(held))
		if err != nil {
			return nil, err
		}
		const what = "the same with 10,000 records held"
		suffix := ""
		if held != 100_000 {
			suffix = "_1m"
		}
		out := []Result{
			against("growth_ack"+suffix, moreRecords, many.acked, few.acked, what),
			against("growth_folded"+suffix, moreRecords, many.folded, few.folded, what),
		}
		for _, r := range out {
			r.More["held"], r.More["us_a_record"] = l.size(held), r.Seconds*1e6/moreRecords
		}
		return out, nil
	}
}

// pushMore is the best of some pushes of moreRecords to a server that holds the
// laptop's earlier ones.
func (l *lab) pushMore(ctx context.Context, held int64) (best pushed, err error) {
	from, err := l.laptop(ctx, held+moreRecords)
	if err != nil {
		return best, err
	}
	hub, err := l.hubUpTo(ctx, from, held)
	if err != nil {
		return best, err
	}
	best = pushed{time.Hour, time.Hour}
	for range rounds {
		laptop, err := l.copied(from)
		if err != nil {
			return best, err
		}
		dir, err := l.copied(hub)
		if err != nil {
			return best, err
		}
		got, err := push(ctx, laptop, dir, from.known)
		if err != nil {
			return best, err
		}
		best = pushed{min(best.acked, got.acked), min(best.folded, got.folded)}
	}
	return best, nil
}
