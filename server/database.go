package server

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
)

// A practice whose truth lies in a database has the name of its folder there. What lies in
// the folder can be made again: the index, and what this machine told its people.

// NameOf is the name in a database of the practice that has a folder.
func NameOf(data string) (string, error) {
	whole, err := filepath.Abs(data)
	if err != nil {
		return "", fmt.Errorf("the folder %s: %w", data, err)
	}
	return filepath.Base(whole), nil
}

// begunIn opens a practice's place in a database for as long as it is begun or made anew;
// give closes it.
func begunIn(ctx context.Context, d *pg.Database, data string) (place trust.Place, called func(context.Context, string) error, give func() error, err error) {
	if d == nil {
		return trust.InFolder(data), func(context.Context, string) error { return nil }, func() error { return nil }, nil
	}
	name, err := NameOf(data)
	if err != nil {
		return place, nil, nil, err
	}
	lease, err := d.Begin(ctx, name, "")
	if err != nil {
		return place, nil, nil, err
	}
	return leased(data, lease), lease.Called, lease.Give, nil
}

func leased(data string, lease *pg.Lease) trust.Place {
	return trust.Place{Dir: data, Names: lease.Names(), Truth: lease.Truth(), Begun: lease.Begun}
}

// asksForLease is how often who waits for a practice asks whether it is free.
const asksForLease = 250 * time.Millisecond

// await takes the practice, when no other process has it any more.
func (c *Config) await(ctx context.Context) (*pg.Lease, error) {
	name, err := NameOf(c.Data)
	if err != nil {
		return nil, err
	}
	for told := false; ; {
		lease, err := c.Database.Take(ctx, name, "")
		var held *pg.Held
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, refusal.Conflict("data", c.Data, "the name of a practice that was begun in the database with `thawtrail server init --database`")
		case !errors.As(err, &held):
			return lease, err
		}
		if !told {
			told = true
			c.Log.Info("another process has this practice open; this one takes over when that one ends", "practice", name)
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(asksForLease):
		}
	}
}

// runLeased serves a practice out of a database for as long as it is this process's.
func runLeased(ctx context.Context, cfg Config, run func(context.Context, Config) error) (err error) {
	lease, err := cfg.await(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return nil // stopped while it waited
		}
		return err
	}
	return underLease(ctx, lease, nil, func(ctx context.Context) error {
		cfg.place = leased(cfg.Data, lease)
		return run(ctx, cfg)
	})
}

// errCutOff: the database is away for this process, and perhaps for no other one.
var errCutOff = refusal.Fail(refusal.ErrUnavailable, "the database has not answered for long: links are let go, so that laptops find a process that reaches it")

// underLease ends what runs when the lease is lost, or cut says so, and gives the lease back
// after all of it is closed.
func underLease(ctx context.Context, lease *pg.Lease, cut <-chan struct{}, run func(context.Context) error) (err error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	ended := make(chan struct{})
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		select {
		case <-lease.Lost():
			stop(store.ErrFenced)
		case <-cut:
			stop(errCutOff)
		case <-ended:
		}
	}()
	err = run(ctx)
	close(ended)
	<-watched
	why := context.Cause(ctx)
	switch {
	case errors.Is(why, store.ErrFenced):
		return errors.Join(why, err)
	case errors.Is(why, errCutOff):
		_ = lease.Give() // it runs out, where this does not come through
		return errors.Join(why, err)
	}
	return errors.Join(err, lease.Give())
}

// printOf is what laptops call a practice by.
func printOf(home *trust.Home) (string, error) {
	root, err := home.Joined.Root()
	if err != nil {
		return "", err
	}
	_, key, err := authority.ParseCertificate(root.Raw)
	if err != nil {
		return "", err
	}
	return authority.Print(key), nil
}

// openPlace opens the place of a practice, with a secret that is set when it is new.
func openPlace(place trust.Place, secret *vault.Secret, cost vault.Cost) (*trust.Home, error) {
	if err := isElsewhere(place); err != nil {
		return nil, err
	}
	if cost == (vault.Cost{}) {
		cost = vault.DefaultCost
	}
	return trust.OpenIn(place, secret, cost, rand.Reader)
}
