package bench

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/clock"
	"thawtrail/server"
)

// pushed is what one push of n records took.
type pushed struct {
	acked, folded time.Duration
}

// push starts an agent that holds n records which no server has, and the server
// of the practice that it has joined; both are the real ones. It times from the agent's readiness until the
// last record is acknowledged, and until the server answers from the last night.
func push(ctx context.Context, laptop, hub string, k nights.Known) (p pushed, err error) {
	return pushTo(ctx, laptop, server.Config{Data: hub}, k)
}

func pushTo(ctx context.Context, laptop string, hub server.Config, k nights.Known) (p pushed, err error) {
	srv, err := startServerOf(ctx, hub)
	if err != nil {
		return p, err
	}
	defer func() { err = errors.Join(err, srv.stop()) }()
	lap, err := startAgent(ctx, laptop, srv.addr, clock.System{})
	if err != nil {
		return p, err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	watch := stopwatch()
	err = until(ctx, func() (bool, error) {
		st, err := lap.status(ctx)
		return err == nil && st.SavedHere == 0 && st.Sent+st.HeldOnServer > 0, err
	})
	if err != nil {
		return p, err
	}
	p.acked = watch()
	err = srv.answers(ctx, k.Case)
	p.folded = watch()
	return p, err
}

// toPush gives a laptop of n records that no server has, and the server of its practice,
// which is not to be written to.
func (l *lab) toPush(ctx context.Context, n int64) (laptop string, hub, from *filled, err error) {
	if from, err = l.laptop(ctx, n); err != nil {
		return "", nil, nil, err
	}
	if laptop, err = l.copied(from); err != nil {
		return "", nil, nil, err
	}
	begun, err := l.practice(ctx)
	if err != nil {
		return "", nil, nil, err
	}
	return laptop, begun.hub, from, nil
}

// pushOf pushes a filled laptop's records to an empty server.
func (l *lab) pushOf(ctx context.Context, n int64) (p pushed, from *filled, err error) {
	laptop, begun, from, err := l.toPush(ctx, n)
	if err != nil {
		return p, nil, err
	}
	hub, err := l.copied(begun)
	if err != nil {
		return p, nil, err
	}
	p, err = push(ctx, laptop, hub, from.known)
	return p, from, err
}

// limits are what the raw pipeline took in its three ways.
type limits struct {
	waiting, plain, streamed time.Duration
}

// limitsOf measures the raw pipeline: over mutual TLS, without it, and without
// waiting for acknowledgements.
func (l *lab) limitsOf(ctx context.Context, n int64, pull bool) (t limits, err error) {
	link, err := tlsLink()
	if err != nil {
		return t, err
	}
	if t.waiting, err = l.raw(ctx, n, pull, false, link); err != nil {
		return t, err
	}
	if t.plain, err = l.raw(ctx, n, pull, false, plainLink()); err != nil {
		return t, err
	}
	t.streamed, err = l.raw(ctx, n, pull, true, link)
	return t, err
}

func (t limits) least(o limits) limits {
	return limits{min(t.waiting, o.waiting), min(t.plain, o.plain), min(t.streamed, o.streamed)}
}

func pushMeasure(names [2]string, n int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		n := l.size(n)
		var acked, folded []time.Duration
		var limit limited
		var from *filled
		for range rounds {
			if err := limit.measure(ctx, l, n, false); err != nil {
				return nil, err
			}
			got, f, err := l.pushOf(ctx, n)
			if err != nil {
				return nil, err
			}
			from, acked, folded = f, append(acked, got.acked), append(folded, got.folded)
		}
		out := []Result{inRounds(names[0], from.records, acked, limit.waiting, rawLimit)}
		if names[1] != "" {
			out = append(out, inRounds(names[1], from.records, folded, limit.waiting, rawLimit))
		}
		return out, sized(out, from, limit.least)
	}
}

// limited is what the limits took in all rounds.
type limited struct {
	waiting []time.Duration
	least   limits
}

func (t *limited) measure(ctx context.Context, l *lab, n int64, pull bool) error {
	got, err := l.limitsOf(ctx, n, pull)
	if err != nil {
		return err
	}
	if t.least = t.least.least(got); len(t.waiting) == 0 {
		t.least = got
	}
	t.waiting = append(t.waiting, got.waiting)
	return nil
}

// sized adds what the records weigh and the other limits.
func sized(out []Result, from *filled, limit limits) error {
	bytes, err := journalBytes(from.dir)
	for _, r := range out {
		r.More["mb"] = float64(bytes) / 1e6
		r.More["bytes_a_record"] = float64(bytes) / float64(from.records)
		r.More["limit_plain_seconds"] = limit.plain.Seconds()
		r.More["limit_streamed_seconds"] = limit.streamed.Seconds()
		r.More["records_a_second"] = float64(from.records) / r.Seconds
	}
	return err
}

// pair starts a server with a copy of what is given, and beside it an empty agent
// that has joined.
func (l *lab) pair(ctx context.Context, from *filled) (srv, lap *runningReplica, stop func() error, err error) {
	hub, err := l.copied(from)
	if err != nil {
		return nil, nil, nil, err
	}
	laptop, err := l.folder("laptop")
	if err != nil {
		return nil, nil, nil, err
	}
	if err := join(ctx, hub, laptop, clock.System{}); err != nil {
		return nil, nil, nil, err
	}
	return startPair(ctx, hub, laptop)
}

func startPair(ctx context.Context, hub, laptop string) (srv, lap *runningReplica, stop func() error, err error) {
	if srv, err = startServer(ctx, hub, clock.System{}); err != nil {
		return nil, nil, nil, err
	}
	if lap, err = startAgent(ctx, laptop, srv.addr, clock.System{}); err != nil {
		return nil, nil, nil, errors.Join(err, srv.stop())
	}
	return srv, lap, func() error { return errors.Join(lap.stop(), srv.stop()) }, nil
}

// pull starts an empty agent beside a server of n records and times from its
// readiness until it holds them all and answers from the last night.
func pull(ctx context.Context, l *lab, from *filled) (took time.Duration, err error) {
	_, lap, stop, err := l.pair(ctx, from)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	watch := stopwatch()
	err = until(ctx, func() (bool, error) {
		st, err := lap.status(ctx)
		return err == nil && st.Records >= from.records, err
	})
	if err != nil {
		return 0, err
	}
	err = lap.answers(ctx, from.known.Case)
	return watch(), err
}

func pullMeasure(name string, n int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		from, err := l.hub(ctx, l.size(n))
		if err != nil {
			return nil, err
		}
		var ours []time.Duration
		var limit limited
		for range rounds {
			if err := limit.measure(ctx, l, l.size(n), true); err != nil {
				return nil, err
			}
			got, err := pull(ctx, l, from)
			if err != nil {
				return nil, err
			}
			ours = append(ours, got)
		}
		out := []Result{inRounds(name, from.records, ours, limit.waiting, rawLimit)}
		return out, sized(out, from, limit.least)
	}
}
