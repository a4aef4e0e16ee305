package node

import (
	"context"
	"errors"
	"time"

	"github.com/cenkalti/backoff/v5"
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
		n.fails(p.Name, err, pause)
		if !sleep(ctx, pause) {
			return
		}
	}
}

// fails notes that a part does not work, and when it is tried again.
func (n *Node) fails(part string, err error, in time.Duration) {
	n.Parts.Fail(part, err, n.Clock.Now())
	n.tellPart(part, false)
	n.Log.Error("a part of the program does not work; it is tried again", "part", part, "in", in.Round(time.Millisecond), "error", err)
}

// works notes that a part runs.
func (n *Node) works(part string) {
	again := n.Parts.Works(part)
	n.tellPart(part, true)
	if again {
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
