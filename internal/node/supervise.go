package node

import (
	"context"
	"errors"
	"time"

	"github.com/cenkalti/backoff/v5"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"thawtrail/internal/store"
)

// Part is one loop of a running replica, behind the journal: a link, an index, a
// page. It runs until ctx ends and returns nil then, or when there is nothing for
// it to do.
type Part struct {
	Name string // as people and monitors read it
	Run  func(context.Context) error
}

// How a part that failed is tried again.
const (
	firstTry  = 500 * time.Millisecond
	lastTry   = time.Minute
	tryJitter = 0.3
	// settled is how long a part must run before it counts as working again.
	settled = 5 * time.Second
)

// supervise runs a part until ctx ends. A failure is told and the part is tried
// again: no part may end the program that takes tonight's records. A panic is a
// fault of the program, and is not hidden.
func (n *Node) supervise(ctx context.Context, p Part) {
	wait := backoff.NewExponentialBackOff()
	wait.InitialInterval, wait.MaxInterval, wait.RandomizationFactor = firstTry, lastTry, tryJitter
	for {
		settling := time.AfterFunc(settled, func() { n.works(p.Name) })
		err := p.Run(ctx)
		if !settling.Stop() {
			wait.Reset() // it had worked
		}
		if err == nil || ctx.Err() != nil || errors.Is(err, store.ErrClosed) {
			return
		}
		pause := wait.NextBackOff()
		n.Parts.Fail(p.Name, err, n.Clock.Now())
		n.tellHealth(p.Name, false)
		n.Log.Error("a part of the program does not work; it is tried again", "part", p.Name, "in", pause.Round(time.Millisecond), "error", err)
		if !sleep(ctx, pause) {
			return
		}
	}
}

// works notes that a part runs.
func (n *Node) works(part string) {
	n.tellHealth(part, true)
	if n.Parts.Works(part) {
		n.Log.Info("works again", "part", part)
	}
}

// sleep waits; false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// tellHealth states a part in the standard health service, beside the program as a
// whole, which serves as long as it answers.
func (n *Node) tellHealth(part string, works bool) {
	state := healthpb.HealthCheckResponse_NOT_SERVING
	if works {
		state = healthpb.HealthCheckResponse_SERVING
	}
	n.health.SetServingStatus("thawtrail.part."+part, state)
}
