package replication

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// Responder is the answering side of the exchange: it joins the pure core of the
// exchange to the store. It knows nothing of the wire; internal/rpc carries it.
type Responder struct {
	*replica.Replica
	// Practice is the id of the practice that this side belongs to; empty for none.
	Practice func() string
	// Epoch is the hub's epoch, or the one that a laptop knows.
	Epoch func() string
	// Done ends all streams when the program stops.
	Done <-chan struct{}

	mu    sync.Mutex
	pulls map[exchange.DeviceID][]*Stream // open streams by device, oldest first
	open  int

	news  fanout
	twins twins

	copying sync.Mutex // held by the one that writes down that copies were met
	wrote   copies     // guarded by copying; those written last

	once sync.Once
	keys *keyIntake
}

func (x *Responder) intake() *keyIntake {
	x.once.Do(func() { x.keys = newKeyIntake(x.Replica, maxWaiting) })
	return x.keys
}

// beliefs is what this replica states of itself.
func beliefs(r *replica.Replica, practice, epoch string) exchange.Beliefs {
	b := exchange.Beliefs{
		Protocol: exchange.Protocol, Fold: ledger.FoldVersion, Program: replica.Version, Practice: practice,
		Key: r.Store.PublicKey(), Name: r.Name, Held: r.Store.Held(), WallUs: r.Clock.Now().UnixMicro(),
		HubEpoch: epoch, Hub: r.Hub, Own: r.Store.OwnLogs(), Boot: string(r.Store.Boot()),
	}
	copy(b.Device[:], r.Store.Device())
	return b
}

// differences compares what this side believes with what the other one does. A record
// of which it turns out now that it cannot be read looks like another one; the second
// look knows of the damage. Of what cannot be read just now nobody can say that it differs.
func differences(s *store.Store, mine func() exchange.Mine, theirs exchange.Beliefs) ([]exchange.Difference, error) {
	var unread error
	compare := func() []exchange.Difference {
		m := mine()
		m.Has = func(log event.LogID, at exchange.Tip) bool {
			has, err := s.Has(log, at)
			unread = cmp.Or(unread, err)
			return has
		}
		return exchange.Compare(m, theirs)
	}
	found := compare()
	if slices.ContainsFunc(found, func(d exchange.Difference) bool { return d.Kind == exchange.LogForked }) {
		found = compare()
	}
	if unread != nil {
		return nil, refusal.Fail(refusal.ErrDamaged, "what is held here cannot be compared: %v", unread)
	}
	return found, nil
}

// maxDifferences bounds the words of a hello. What is done about a difference never
// depends on it.
const maxDifferences = 100

// Hello compares what each side believes and answers with this side's beliefs
// and every difference in words. It acts on none: a caller that says that it holds
// more of this side's own log has to give it, and the store, which verifies what
// comes, then opens new logs.
func (x *Responder) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	theirs, err := exchange.BeliefsFromPB(req.GetBeliefs())
	if err != nil {
		return nil, err
	}
	if err := isCaller(ctx, theirs.Device[:]); err != nil {
		return nil, err
	}
	found, err := differences(x.Store, func() exchange.Mine {
		return exchange.Mine{Beliefs: beliefs(x.Replica, x.Practice(), x.Epoch())}
	}, theirs)
	if err != nil {
		return nil, err
	}
	if stop, ok := exchange.Stop(found); ok {
		return nil, refusal.Fail(refusal.ErrUnready, "%s", stop.String())
	}
	session, told := x.twins.hello(theirs.Device, theirs.Boot)
	out := &pb.HelloResponse{Beliefs: beliefs(x.Replica, x.Practice(), x.Epoch()).PB(), Session: session}
	if told != "" {
		out.Differences = append(out.Differences, told)
	}
	for _, d := range found[:min(len(found), maxDifferences)] {
		out.Differences = append(out.Differences, d.String())
	}
	return out, nil
}

// isCaller refuses a laptop that says that it is another one than its link has
// proven. What runs on this machine itself is believed.
func isCaller(ctx context.Context, device []byte) error {
	c, ok := authority.CallerOf(ctx)
	if !ok || c.Way != authority.ByDevice || bytes.Equal(device, event.DeviceID(c.Device)) {
		return nil
	}
	return refusal.Fail(refusal.ErrDenied, "this link belongs to another laptop than the one that it names")
}

// maxRuns bounds the runs of one push.
const maxRuns = 64

// Push takes runs and answers when what holds of them is on the disk.
func (x *Responder) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	if len(req.Runs) > maxRuns {
		return nil, refusal.New("runs", len(req.Runs), fmt.Sprintf("at most %d runs in one push", maxRuns))
	}
	if err := isCaller(ctx, req.Device); err != nil {
		return nil, err
	}
	var peer exchange.DeviceID
	copy(peer[:], req.Device)
	results, err := x.Store.IngestFrom(ctx, peer, req.Runs)
	if err != nil {
		return nil, replica.NotSaved(err)
	}
	// What is acknowledged can be read: its keys are on the disk first.
	if err := x.intake().take(ctx, peer, req.Keys, results); err != nil {
		return nil, replica.NotSaved(err)
	}
	out := &pb.PushResponse{}
	for i, res := range results {
		if !res.Tip.Log.IsZero() {
			out.Accepted = append(out.Accepted, x.tips(res.Tip)...)
		}
		if !res.Reached.Hash.IsZero() {
			x.theyHold(peer, req.Session, res.Reached)
		}
		if res.Refused != nil {
			out.Refused = append(out.Refused, res.Refused.PB())
			if res.Refused.Damage() {
				quarantine(x.Replica, req.Runs[i], res.Refused)
			}
		}
	}
	return out, nil
}

// tips lists every end of a log, so that a pusher of a forked log is told all.
func (x *Responder) tips(tip exchange.LogTip) []*pb.Tip {
	h, ok := x.Store.HeldOne(tip.Log)
	if !ok {
		return nil
	}
	out := make([]*pb.Tip, len(h.Tips))
	for i, t := range h.Tips {
		out[i] = exchange.LogTip{Log: tip.Log, Tip: t}.PB()
	}
	return out
}

// theyHold tells the stream of a session that its other side holds what it just
// pushed, so that it is not sent back. It is told no more than that: a copy of the
// same folder, which has another session, may have written on in the same log.
func (x *Responder) theyHold(device exchange.DeviceID, session uint64, tip exchange.LogTip) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, p := range x.pulls[device] {
		if p.session == session {
			p.theyHold(tip)
		}
	}
}

// nameOf is what people call a device, as its logs say.
func (x *Responder) nameOf(device exchange.DeviceID) (name string) {
	for _, l := range x.Store.Logs() {
		if bytes.Equal(l.Device(), device[:]) && l.Name != "" {
			name = l.Name
		}
	}
	return name
}
