package bench

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
)

const neighbourLimit = "the same entries while the other practice is quiet, p99; the target is twofold"

// neighbourMeasure times entries in one practice of a host, at the host, while a laptop of
// another practice brings 100,000 records. Host and laptop are processes of their own.
func neighbourMeasure(ctx context.Context, l *lab) (out []Result, err error) {
	flood, err := l.laptop(ctx, l.size(100_000))
	if err != nil {
		return nil, err
	}
	begun, err := l.practice(ctx)
	if err != nil {
		return nil, err
	}
	both, err := l.folder("host")
	if err != nil {
		return nil, err
	}
	keys, err := l.folder("keys")
	if err != nil {
		return nil, err
	}
	for _, name := range []string{"loud", "quiet"} {
		if err := keyFor(keys, name); err != nil {
			return nil, err
		}
	}
	loud, quiet := filepath.Join(both, "loud"), filepath.Join(both, "quiet")
	if err := os.CopyFS(loud, os.DirFS(begun.hub.dir)); err != nil {
		return nil, err
	}
	if err := begin(ctx, quiet, clock.System{}); err != nil {
		return nil, err
	}
	laptop, err := l.copied(flood)
	if err != nil {
		return nil, err
	}
	host, err := l.hostApart(ctx, "127.0.0.1:0", both, keys)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, host.stop()) }()
	here, err := doorOf(quiet)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, here.conn.Close()) }()
	alone, err := entries(ctx, here, vetName, l.size(1000), func() bool { return false })
	if err != nil {
		return nil, err
	}
	bringer, err := l.agentApart(ctx, laptop, host.addr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, bringer.stop()) }()
	lap, err := doorOf(laptop)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, lap.conn.Close()) }()
	var done atomic.Bool
	var group errgroup.Group
	group.Go(func() error {
		defer done.Store(true)
		return every(ctx, 100*time.Millisecond, func() (bool, error) {
			st, err := lap.status(ctx)
			return err == nil && st.SavedHere == 0 && st.Sent+st.HeldOnServer > 0, err
		})
	})
	beside, err := entries(ctx, here, vetName, 100_000, done.Load)
	if err := errors.Join(err, group.Wait()); err != nil {
		return nil, err
	}
	r := against("neighbour", int64(len(beside)), percentile(beside, 99), percentile(alone, 99), neighbourLimit)
	r.More["p50_ms"], r.More["p99_ms"] = ms(median(beside)), ms(percentile(beside, 99))
	r.More["quiet_p50_ms"], r.More["quiet_p99_ms"] = ms(median(alone)), ms(percentile(alone, 99))
	return []Result{r}, nil
}
