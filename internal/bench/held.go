package bench

import (
	"context"
	"errors"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	// urgentLaptops is how many laptops take part in urgent_20.
	urgentLaptops = 20
	// askEvery is how often each is asked: seldom enough that the questions do not
	// take the processor from the work that is measured.
	askEvery    = 20 * time.Millisecond
	settleEvery = 250 * time.Millisecond
)

const heldText = "none; twenty agents and the server share this one process, each agent is asked for its held batches every 20 ms; target p99 100 ms"

// heldMeasure times a hold written on the server until twenty laptops have it
// verified, durable and in their answers.
func heldMeasure(ctx context.Context, l *lab) ([]Result, error) {
	from, err := l.hub(ctx, l.size(10_000))
	if err != nil {
		return nil, err
	}
	times, err := l.timeHolds(ctx, from, l.size(30))
	if err != nil {
		return nil, err
	}
	r := against("urgent_20", urgentLaptops, percentile(times, 99), 0, heldText)
	r.More["p50_ms"], r.More["p99_ms"], r.More["target_p99_ms"] = ms(median(times)), ms(percentile(times, 99)), 100.0
	return []Result{r}, nil
}

func (l *lab) timeHolds(ctx context.Context, from *filled, rounds int64) (times []time.Duration, err error) {
	hub, err := l.copied(from)
	if err != nil {
		return nil, err
	}
	dirs, err := l.joined(ctx, hub, urgentLaptops)
	if err != nil {
		return nil, err
	}
	srv, err := startServer(ctx, hub, clock.System{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, srv.stop()) }()
	var laps []*runningReplica
	for _, dir := range dirs {
		lap, err := startAgent(ctx, dir, srv.addr, clock.System{})
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, lap.stop()) }()
		laps = append(laps, lap)
	}
	all := append([]*runningReplica{srv}, laps...)
	for i := range rounds {
		if err := settled(ctx, all); err != nil {
			return nil, err
		}
		watch := stopwatch()
		if err := hold(ctx, srv, from.known, i); err != nil {
			return nil, err
		}
		if err := shownBy(ctx, laps, int(i)+1); err != nil {
			return nil, err
		}
		times = append(times, watch())
	}
	return times, nil
}

// joined makes the folders of n laptops of a practice. They join before its server
// runs, because joining writes to the server's folder.
func (l *lab) joined(ctx context.Context, hub string, n int) (dirs []string, err error) {
	for range n {
		dir, err := l.folder("laptop")
		if err == nil {
			err = join(ctx, hub, dir, clock.System{})
		}
		if err != nil {
			return nil, err
		}
		dirs = append(dirs, dir)
	}
	return dirs, nil
}

// settled waits until all replicas have held the same number of records for a
// while: each laptop that takes a hold says so in a record of its own, and those
// go to all the others.
func settled(ctx context.Context, all []*runningReplica) error {
	var last int64
	return every(ctx, settleEvery, func() (bool, error) {
		before, same := last, true
		for i, r := range all {
			st, err := r.status(ctx)
			if err != nil {
				return false, err
			}
			if i == 0 {
				last = st.Records
			}
			same = same && st.Records == last
		}
		return same && last == before, nil
	})
}

// shownBy waits until each laptop lists n batches on hold.
func shownBy(ctx context.Context, laps []*runningReplica, n int) error {
	group, ctx := errgroup.WithContext(ctx)
	for _, lap := range laps {
		group.Go(func() error {
			return every(ctx, askEvery, func() (bool, error) {
				got, err := pb.NewStockServiceClient(lap.conn).ListBatches(ctx, &pb.ListBatchesRequest{Held: true})
				return len(got.GetBatches()) >= n, err
			})
		})
	}
	return group.Wait()
}
