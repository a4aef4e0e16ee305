package agent

import (
	"context"
	"crypto/rand"
	"errors"

	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/trust"
)

// Books lets fn write or read a file of records on a data folder whose program is
// stopped: a laptop's or a server's, since both keep the same books.
func Books(ctx context.Context, cfg Config, fn func(*replica.Replica) error) (err error) {
	if err := cfg.fill(); err != nil {
		return err
	}
	home, err := trust.Open(cfg.Data, cfg.Secret, rand.Reader)
	if err != nil {
		return err
	}
	if home.Joined == nil {
		return refusal.Conflict("data", cfg.Data, "a folder that belongs to a practice")
	}
	r, err := open(ctx, cfg, home)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Store.Close()) }()
	return fn(r)
}
