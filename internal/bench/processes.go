package bench

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
)

const (
	// processesAtOnce serve one practice of a database.
	processesAtOnce = 3

	urgentDatabaseText = "none; a hold written on a laptop until its frame reached the last of twenty links, which are spread over three processes that share a database; the laptop's own process hands on to the one that has the practice open; target p99 100 ms"
)

// urgentDatabaseMeasure times a hold that goes through the processes of one database.
func urgentDatabaseMeasure(ctx context.Context, l *lab) (out []Result, err error) {
	in, err := l.database(ctx)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	from, err := l.hub(ctx, l.size(10_000))
	if err != nil {
		return nil, err
	}
	laptop, err := l.folder("laptop")
	if err != nil {
		return nil, err
	}
	var links []member
	moved, err := l.moveIn(ctx, in, from, func(hub string) (err error) {
		if links, err = members(ctx, hub, urgentLaptops); err != nil {
			return err
		}
		return join(ctx, hub, laptop, clock.System{})
	})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, moved.leave(ctx)) }()
	at, stop, err := l.processes(ctx, filepath.Base(moved.hub))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	lap, err := startAgent(ctx, laptop, at[len(at)-1], clock.System{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	times, err := handedRound(ctx, lap, from, at, links, l.size(30))
	if err != nil {
		return nil, err
	}
	return []Result{holdsTook("urgent_database", times, urgentDatabaseText)}, nil
}

// processes starts programs that serve a practice of the database, each with an empty
// folder, and says where each answers: at addresses of this machine from which no laptop
// comes, as processes tell links from what another one hands on.
func (l *lab) processes(ctx context.Context, practice string) (at []string, stop func() error, err error) {
	var all []func() error
	stopAll := func() (err error) {
		for _, one := range all {
			err = errors.Join(err, one())
		}
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, stopAll())
		}
	}()
	keys, err := l.folder("keys")
	if err != nil {
		return nil, nil, err
	}
	if err := keyFor(keys, practice); err != nil {
		return nil, nil, err
	}
	for i := range processesAtOnce {
		dir, err := l.folder("process")
		if err != nil {
			return nil, nil, err
		}
		p, err := l.hostApart(ctx, fmt.Sprintf("127.0.9.%d:0", i+1), dir, keys, "--database", l.cfg.Database, "--balancers", "127.0.9.0/24")
		if err != nil {
			return nil, nil, err
		}
		at, all = append(at, p.addr), append(all, p.stop)
	}
	return at, stopAll, nil
}

// handedRound writes holds on a laptop and times each until the last link heard of it. The
// links are spread over the processes.
func handedRound(ctx context.Context, lap *runningReplica, from *filled, at []string, links []member, rounds int64) (times []time.Duration, err error) {
	err = until(ctx, func() (bool, error) {
		st, err := lap.status(ctx)
		return st.GetRecords() >= from.records && st.GetHeldOnServer() > 0, err
	})
	if err != nil {
		return nil, err
	}
	if err := hold(ctx, lap, from.known, 0); err != nil { // opens the laptop's log of what is urgent
		return nil, err
	}
	if err := settled(ctx, []*runningReplica{lap}); err != nil {
		return nil, err
	}
	held, err := heldBy(ctx, lap)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	var group errgroup.Group
	defer func() { cancel(); err = errors.Join(err, group.Wait()) }()
	a := &arrivals{}
	if err := openPulls(ctx, at, links, held, a, &group); err != nil {
		return nil, err
	}
	if err := settled(ctx, []*runningReplica{lap}); err != nil { // what the links brought has come round
		return nil, err
	}
	return fanned(ctx, a, len(links), rounds, func(round int64) error { return hold(ctx, lap, from.known, round+1) })
}
