package replication

import (
	"context"
	"slices"

	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
)

// Streams that are open at once. A laptop needs one. It has a few, because a link
// that broke without a word is open until a ping finds it out; the newest ones are
// those that it reads.
const (
	MaxPullStreams   = 4096
	MaxPullsOfDevice = 4
	// maxEnding bounds the streams of one laptop that were told to end and have
	// not: each holds a batch that nobody reads until its link is cut.
	maxEnding = 12
)

// errReplaced ends a stream in whose place a newer one stands.
var errReplaced = refusal.Fail(refusal.ErrUnavailable, "a newer stream of this laptop was opened")

// enter puts a stream into the table, and ends the oldest one of a laptop that has
// too many.
func (x *Responder) enter(ctx context.Context, p *Stream) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	own := x.pulls[p.device]
	if x.open >= MaxPullStreams {
		return refusal.Fail(refusal.ErrTooMuch, "%d streams are open; no more are taken", x.open)
	}
	if len(own) >= MaxPullsOfDevice+maxEnding {
		return refusal.Fail(refusal.ErrTooMuch, "%d streams of this laptop are open and not read; no more are taken", len(own))
	}
	p.ctx, p.end = context.WithCancelCause(ctx)
	if x.pulls == nil {
		x.pulls = map[exchange.DeviceID][]*Stream{}
	}
	x.pulls[p.device] = append(own, p)
	for _, old := range own[:max(0, len(own)+1-MaxPullsOfDevice)] {
		old.end(errReplaced)
	}
	x.open++
	return nil
}

// Close ends the stream and gives its place to another one.
func (p *Stream) Close() {
	x := p.x
	p.end(nil)
	x.mu.Lock()
	defer x.mu.Unlock()
	own := slices.DeleteFunc(x.pulls[p.device], func(o *Stream) bool { return o == p })
	if x.pulls[p.device] = own; len(own) == 0 {
		delete(x.pulls, p.device)
	}
	x.open--
}

// Laptops counts the devices that have a stream open.
func (x *Responder) Laptops() int {
	x.mu.Lock()
	defer x.mu.Unlock()
	return len(x.pulls)
}

// Streams counts the streams that are open.
func (x *Responder) Streams() int {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.open
}
