package web

import (
	"context"

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

// Run serves the pages of a replica until ctx ends: on a loopback address, unless
// it is empty, and to phones, where there is a listener for them.
func Run(ctx context.Context, addr string, cfg Config, ready func(url string)) error {
	if addr == "" && cfg.PhoneListener == nil {
		return nil
	}
	s, err := New(cfg)
	if err != nil {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	if addr != "" {
		group.Go(func() error { return s.Serve(ctx, addr, ready) })
	}
	if cfg.PhoneListener != nil {
		group.Go(func() error { return s.ServePhones(ctx) })
	}
	return group.Wait()
}
