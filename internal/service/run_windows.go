package service

import (
	"context"
	"fmt"

	"golang.org/x/sys/windows/svc"
)

// Run runs a program as whatever started it wants that. The service manager of Windows is
// answered, and its word ends the program as a signal does elsewhere.
func Run(ctx context.Context, program string, run func(context.Context) error) error {
	managed, err := svc.IsWindowsService()
	if err != nil || !managed {
		return run(ctx)
	}
	h := &handler{ctx: ctx, run: run}
	if err := svc.Run("thawtrail-"+program, h); err != nil {
		return fmt.Errorf("service manager: %w", err)
	}
	return h.err
}

type handler struct {
	ctx context.Context
	run func(context.Context) error
	err error
}

// Execute implements svc.Handler: it answers the manager until the program has ended.
func (h *handler) Execute(_ []string, asked <-chan svc.ChangeRequest, status chan<- svc.Status) (ours bool, code uint32) {
	ctx, stop := context.WithCancel(h.ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- h.run(ctx) }()
	const accepts = svc.AcceptStop | svc.AcceptShutdown
	status <- svc.Status{State: svc.Running, Accepts: accepts}
	for {
		select {
		case h.err = <-ended:
			status <- svc.Status{State: svc.StopPending}
			if h.err != nil {
				return true, 1 // counts as a failure: the manager starts it again
			}
			return false, 0
		case c := <-asked:
			switch c.Cmd {
			case svc.Interrogate:
				status <- c.CurrentStatus
			case svc.Stop, svc.Shutdown:
				status <- svc.Status{State: svc.StopPending, WaitHint: 60_000}
				stop()
			}
		}
	}
}
