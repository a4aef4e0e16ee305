package bench

import (
	"bufio"
	"context"
	"errors"
	"io"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	// urgentLaptops is how many laptops take part in urgent_20.
	urgentLaptops = 20
	settleEvery   = 250 * time.Millisecond
)

const heldText = "none; twenty agents and the server share this one process; each agent's page stream tells that something changed, and then its held batches are asked for; target p99 100 ms"

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
	return []Result{holdsTook("urgent_20", times, heldText)}, nil
}

// holdsTook is how long holds took to reach the last of the laptops.
func holdsTook(name string, times []time.Duration, text string) Result {
	r := against(name, urgentLaptops, percentile(times, 99), 0, text)
	r.More["p50_ms"], r.More["p99_ms"], r.More["target_p99_ms"] = ms(median(times)), ms(percentile(times, 99)), 100.0
	return r
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
	var laps []*watched
	for _, dir := range dirs {
		lap, err := startWatched(ctx, dir, srv.addr)
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, lap.stop()) }()
		laps = append(laps, lap)
	}
	all := []*runningReplica{srv}
	for _, lap := range laps {
		all = append(all, lap.runningReplica)
	}
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

// watched is an agent with an open page.
type watched struct {
	*runningReplica
	told <-chan struct{} // the page's stream told of something since this was last read; closed when it ended
}

// startWatched starts an agent, signs in to its pages and opens the stream of one.
func startWatched(ctx context.Context, dir, server string) (w *watched, err error) {
	entrances := make(chan string, 4) // one for each part that a replica serves
	r, err := start(ctx, dir, func(ctx context.Context, ready func(string)) error {
		return agent.Run(ctx, agent.Config{Data: dir, Secret: secret(), Server: server, Listen: "127.0.0.1:0", Pages: "127.0.0.1:0",
			Name: "laptop", Ready: ready, PagesReady: func(url string) { entrances <- url }})
	})
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.stop())
		}
	}()
	b, err := signIn(ctx, <-entrances)
	if err != nil {
		return nil, err
	}
	stream, err := b.ask(ctx, "/live")
	if err != nil {
		return nil, err
	}
	return &watched{r, wakes(stream.Body)}, nil
}

// wakes reads a page's stream to its end. Several wakes that nobody waited for are one.
func wakes(body io.ReadCloser) <-chan struct{} {
	told := make(chan struct{}, 1)
	go func() {
		defer body.Close()
		defer close(told)
		for lines := bufio.NewScanner(body); awaitEvent(lines, "wake") == nil; {
			select {
			case told <- struct{}{}:
			default:
			}
		}
	}()
	return told
}

// shownBy waits until each laptop lists n batches on hold. It asks a laptop when its
// page is told that something changed, as the page does.
func shownBy(ctx context.Context, laps []*watched, n int) error {
	group, ctx := errgroup.WithContext(ctx)
	for _, lap := range laps {
		group.Go(func() error {
			for {
				got, err := pb.NewStockServiceClient(lap.conn).ListBatches(ctx, &pb.ListBatchesRequest{Held: true})
				if err != nil || len(got.GetBatches()) >= n {
					return err
				}
				select {
				case <-ctx.Done():
					return ctx.Err()
				case _, on := <-lap.told:
					if !on {
						return errors.New("the stream of a page ended")
					}
				}
			}
		})
	}
	return group.Wait()
}
