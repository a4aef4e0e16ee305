package web

import (
	"context"
	"net"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/web/barn"
	"thawtrail/internal/web/clinic"
	"thawtrail/internal/web/machine"
	"thawtrail/internal/web/owner"
	"thawtrail/internal/web/site"
)

// Config says what a site serves.
type Config = site.Config

// New makes the pages of a replica.
func New(cfg Config) (*site.Site, error) {
	s, err := site.New(cfg, barn.Locked, barn.Templates, machine.Templates, clinic.Templates, owner.Templates)
	if err == nil {
		routes(s)
	}
	return s, err
}

// Run serves the pages of a replica until ctx ends: where this machine's browser comes in,
// unless that is nil, and to phones, where there is a listener for them.
func Run(ctx context.Context, here net.Listener, cfg Config, ready func(url string)) error {
	if here == nil && cfg.PhoneListener == nil {
		return nil
	}
	s, err := New(cfg)
	if err != nil {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	if here != nil {
		group.Go(func() error { return s.Serve(ctx, here, ready) })
	}
	if cfg.PhoneListener != nil {
		group.Go(func() error { return s.ServePhones(ctx) })
	}
	return group.Wait()
}
