package page

import (
	"context"

	"golang.org/x/sync/errgroup"
)

// NewWeb makes the pages of a replica.
func NewWeb(cfg Config) (*Site, error) {
	s, err := New(cfg, Locked, templateFiles)
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
	s, err := NewWeb(cfg)
	if err != nil {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	if addr != "" {
		group.Go(func() error { return s.Serve(ctx, addr, ready) })
	}
	if cfg.PhoneListener != nil {
		group.Go(func() error { return s.servePhones(ctx) })
	}
	return group.Wait()
}
