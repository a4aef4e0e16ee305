//go:build !windows

package service

import "context"

// Run runs a program as whatever started it wants that. Here a signal ends it, which main
// has turned into the end of ctx.
func Run(ctx context.Context, _ string, run func(context.Context) error) error { return run(ctx) }
