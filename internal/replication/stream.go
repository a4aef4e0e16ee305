package replication

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// Stream sends one caller what it lacks, message by message. Responder.Pull carries
// it to its end, and a simulation may step it.
type Stream struct {
	x       *Responder
	ctx     context.Context // of this stream
	end     context.CancelCauseFunc
	device  exchange.DeviceID
	out     Outgoing
	pusher  *exchange.Pusher
	most    int
	seen    uint64
	holes   uint64 // how many were found when what is stranded here was saved again
	session uint64
	boot    string      // guarded by x.mu; of the program at the other end
	say     []string    // to be sent with the next message of its own
	words   chan string // what was found since the hello, on its way
	byID    bool        // keys are compared by their ids
	keys    int         // how many field keys were sent; of one that knows no ids

	saved  <-chan struct{} // closed when there may be more to send; nil when there may be now
	round  bool            // more is to be sent before the stream has caught up
	want   exchange.Send   // the run that goes next, once chosen
	chosen bool
	ready  *shared // read, and sent once it is known whether it is the last

	mu    sync.Mutex
	known []exchange.LogTip // what the device pushed meanwhile, at most maxKnown
}

const maxKnown = 1024

func (p *Stream) theyHold(tip exchange.LogTip) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.known) < maxKnown { // past that it is sent back, which is harmless
		p.known = append(p.known, tip)
	}
}

func (p *Stream) takeKnown() []exchange.LogTip {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.known
	p.known = nil
	return out
}

// Pull streams what the caller lacks, urgent logs first, and stays open.
func (x *Responder) Pull(ctx context.Context, req *pb.PullRequest, out Outgoing) error {
	p, err := x.Open(ctx, req, out)
	if err != nil {
		return err
	}
	defer p.Close()
	for {
		more, err := p.Step()
		if err != nil {
			return err
		}
		if !more && !p.wait() {
			return cmp.Or(p.ended(), refusal.Fail(refusal.ErrUnavailable, "this side is stopping"))
		}
	}
}

// Open begins a stream to a caller; Close ends it.
func (x *Responder) Open(ctx context.Context, req *pb.PullRequest, out Outgoing) (*Stream, error) {
	if err := isCaller(ctx, req.Device); err != nil {
		return nil, err
	}
	held, err := exchange.HeldFromPB(req.Held)
	if err != nil {
		return nil, err
	}
	p := &Stream{x: x, out: out, most: exchange.MaxBatchBytes, session: req.Session, byID: req.Session != 0, words: make(chan string, 1)}
	copy(p.device[:], req.Device)
	if n := int(req.BatchBytes); n > 0 {
		p.most = min(max(n, exchange.MinBatchBytes), exchange.MaxBatchBytes)
	}
	_, p.seen, _ = x.Store.MovedSince(0)
	p.pusher = exchange.NewPusher(x.Store.Giving(), held, x.Store.Gives)
	if err := x.enter(ctx, p); err != nil {
		return nil, err
	}
	x.meet(ctx, p, x.nameOf(p.device))
	return p, nil
}

// ended says why this side ended the stream alone; nil for any other end.
func (p *Stream) ended() error {
	if err := context.Cause(p.ctx); errors.Is(err, errReplaced) || errors.Is(err, errTwin) {
		return err
	}
	return nil
}

// newsGather is how long what is not urgent waits for more of its kind. A hold is heard
// by every laptop, and each says so in a record that goes to all the others: sent one by
// one, those would be in the way of the hold itself.
const newsGather = 100 * time.Millisecond

// wait returns when a log moved or something was found; false when the stream is to
// end. Urgent logs are waited for alone once an ordinary one has moved.
func (p *Stream) wait() bool {
	var gathered <-chan time.Time
	for {
		select {
		case <-p.ctx.Done():
			return false
		case <-p.x.Done:
			return false
		case words := <-p.words:
			p.say = append(p.say, words)
			return true
		case <-gathered:
			p.saved = nil
			return true
		case <-p.saved:
		}
		p.saved = p.x.Store.Saved() // before looking: what comes in between wakes again
		if p.urgent() {
			p.saved = nil
			return true
		}
		if gathered == nil {
			gathered = time.After(newsGather)
		}
	}
}

// urgent says that an urgent log moved since this stream looked last, or too many did.
func (p *Stream) urgent() bool {
	logs, _, all := p.x.Store.MovedSince(p.seen)
	return all || slices.ContainsFunc(logs, func(id event.LogID) bool {
		l, ok := p.x.Store.Log(id)
		return ok && l.Lane == pb.Lane_LANE_URGENT
	})
}

// Step sends one message at most. It says with the last run that the stream has
// caught up, and looks for urgent news between two of them. more is false when
// nothing is left to send until the store saves something.
func (p *Stream) Step() (more bool, err error) {
	if more, err = p.step(); err != nil {
		err = cmp.Or(p.ended(), err)
	}
	return more, err
}

func (p *Stream) step() (more bool, err error) {
	if !p.begin() {
		return false, nil
	}
	for {
		if err := p.ctx.Err(); err != nil {
			return false, err
		}
		if !p.chosen {
			p.want, p.chosen = p.pusher.Next()
		}
		if !p.chosen || !p.want.Urgent {
			if sent, err := p.sendKeys(); sent || err != nil {
				return true, err
			}
		}
		if !p.chosen {
			p.rescue()
			last := p.ready
			p.round, p.ready = false, nil
			err := p.send(last, true)
			return len(p.say) > 0, err
		}
		p.chosen = false
		sh, err := p.x.news.read(p.ctx, replicaRuns{p.x.Replica}, p.want, min(p.want.MaxBytes, p.most))
		if err != nil {
			return false, err
		}
		if sh.run == nil {
			p.pusher.Unable()
			continue
		}
		p.pusher.Streamed(sh.next)
		p.moved()
		before := p.ready
		p.ready = sh
		if before != nil {
			return true, p.send(before, false)
		}
	}
}

// begin says whether there may be something to send. A stream that has caught up
// begins anew when something was saved or found since.
func (p *Stream) begin() bool {
	if p.round {
		return true
	}
	select {
	case words := <-p.words:
		p.say = append(p.say, words)
	default:
	}
	if p.saved != nil && len(p.say) == 0 {
		select {
		case <-p.saved:
		default:
			return false
		}
	}
	p.saved, p.round = p.x.Store.Saved(), true
	p.moved()
	return true
}

// moved tells the pusher which logs moved since it last looked.
func (p *Stream) moved() {
	for _, tip := range p.takeKnown() {
		p.pusher.TheyHold(tip)
	}
	logs, upto, all := p.x.Store.MovedSince(p.seen)
	p.seen = upto
	if all {
		for _, h := range p.x.Store.Giving() {
			p.pusher.Moved(h)
		}
		return
	}
	for _, id := range logs {
		if h, ok := p.x.Store.GivingOne(id); ok {
			p.pusher.Moved(h)
		}
	}
}

// send sends a run, or, where there is none, only that the stream has caught up.
func (p *Stream) send(sh *shared, caughtUp bool) error {
	now := p.x.Clock.Now().UnixMicro()
	if sh == nil {
		m := &pb.PullResponse{CaughtUp: caughtUp, WallUs: now, Differences: p.say}
		p.say = nil
		return p.out.Send(m)
	}
	return send(p.out, sh, caughtUp, now)
}

// sendKeys sends all field keys, and then each new one, to a program that does not
// compare them by their ids.
func (p *Stream) sendKeys() (sent bool, err error) {
	if p.byID {
		return false, nil
	}
	keys, next := p.x.Seals.Since(p.keys, replica.MaxKeysSent)
	if len(keys) > 0 {
		sent, err = true, p.out.Send(&pb.PullResponse{Keys: keys})
	}
	if err == nil {
		p.keys = next
	}
	return sent, err
}
