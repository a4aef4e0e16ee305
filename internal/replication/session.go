package replication

import (
	"context"
	"fmt"
	"time"

	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// Session is one meeting of a link with the other side, from the answer to hello on:
// what to send next, and what to do with what came. It waits for nothing and calls
// nobody. Link.Run carries its messages, and a simulation may carry them one by one.
//
// Next and Answered belong to one half, Take to the other; the two halves may run
// at the same time.
type Session struct {
	link   *Link
	pusher *exchange.Pusher
	reader reader
	seen   uint64 // moves of the store that the pusher was told
	keys   int    // field keys that the other side was sent

	// What is on its way: keys up to keysNext, or the run of send up to next.
	keysNext int
	send     exchange.Send
	next     uint64
}

// Greeting is the first message to the other side, and when it was made.
type Greeting struct {
	Request *pb.HelloRequest
	at      time.Time
}

// Greet states what is believed here.
func (l *Link) Greet() Greeting {
	at := l.clock.Now()
	return Greeting{&pb.HelloRequest{Beliefs: beliefs(l.replica, l.Practice(), l.HubEpoch()).PB()}, at}
}

// Meet takes the answer to a greeting: it measures the clock and acts on what the
// two sides find different. Then the session can begin.
func (l *Link) Meet(ctx context.Context, g Greeting, resp *pb.HelloResponse) (*Session, error) {
	l.measure(g.at, l.clock.Now(), resp.GetBeliefs().GetWallUs())
	theirs, err := exchange.BeliefsFromPB(resp.GetBeliefs())
	if err != nil {
		return nil, err
	}
	if err := l.compare(ctx, theirs); err != nil {
		return nil, err
	}
	s := &Session{link: l, reader: reader{store: l.store}}
	_, s.seen, _ = l.store.MovedSince(0)
	s.pusher = exchange.NewPusher(l.store.Held(), theirs.Held, l.store.Has)
	s.pusher.GiveBack(theirs.Own)
	return s, nil
}

// Next is the next message to push: field keys ahead of the records that need them,
// then what the other side lacks, then every new record of this laptop. It is nil
// when there is nothing to send until the store saves something. Answered comes
// before the next Next.
func (s *Session) Next(ctx context.Context) (*pb.PushRequest, error) {
	keys, next := s.link.replica.Seals.Since(s.keys, replica.MaxKeysSent)
	s.keysNext = next
	if len(keys) > 0 {
		return &pb.PushRequest{Device: s.link.store.Device(), Keys: keys}, nil
	}
	s.tellMoves()
	for {
		var ok bool
		if s.send, ok = s.pusher.Next(); !ok {
			s.tellQuarantined()
			return nil, nil
		}
		run, next, err := s.reader.read(ctx, s.send)
		if err != nil {
			return nil, err
		}
		if run == nil {
			s.pusher.Unable()
			continue
		}
		s.next = next
		return &pb.PushRequest{Device: s.link.store.Device(), Runs: []*pb.Run{run}}, nil
	}
}

// tellMoves tells the pusher which own logs grew. What came from the server
// needs no telling: it is there already.
func (s *Session) tellMoves() {
	store := s.link.store
	logs, upto, all := store.MovedSince(s.seen)
	s.seen = upto
	if all {
		logs = store.OwnLogs()
	}
	for _, id := range logs {
		if info, ok := store.Log(id); ok && info.Key.Equal(store.PublicKey()) {
			if h, ok := store.HeldOne(id); ok {
				s.pusher.Moved(h)
			}
		}
	}
}

// Answered takes the answer to what Next gave. An error ends the session: without
// an answer nothing is known of what was on its way, and the next hello tells.
func (s *Session) Answered(resp *pb.PushResponse) error {
	s.keys = s.keysNext
	var tips []exchange.LogTip
	for _, m := range resp.Accepted {
		tip, err := exchange.TipFromPB(m)
		if err != nil {
			return err
		}
		tips = append(tips, tip)
		s.link.acknowledged(tip)
	}
	var refused []*exchange.Refusal
	for _, m := range resp.Refused {
		r, err := exchange.RefusalFromPB(m)
		if err != nil {
			return err
		}
		refused = append(refused, r)
	}
	s.pusher.Acked(s.next, tips, refused)
	return nil
}

func (s *Session) tellQuarantined() {
	var words []string
	for _, a := range s.pusher.Aside() {
		words = append(words, fmt.Sprintf("log %s is not sent any more: %v", a.Log.Short(), a.Why))
	}
	if len(words) > 0 {
		s.link.noteQuarantined(words...)
	}
}

// Ask asks for all that this side lacks, and for what comes later.
func (s *Session) Ask() *pb.PullRequest {
	return &pb.PullRequest{Device: s.link.store.Device(), Held: exchange.HeldPB(s.link.store.Held())}
}

// Take saves what came. A gap is an error and ends the session: the next hello
// says what is held.
func (s *Session) Take(ctx context.Context, resp *pb.PullResponse) error {
	l := s.link
	l.mu.Lock()
	l.heard = l.clock.Now()
	l.mu.Unlock()
	if err := l.replica.Seals.Take(resp.Keys); err != nil {
		return err
	}
	if len(resp.Runs) == 0 {
		return nil
	}
	results, err := l.store.Ingest(ctx, resp.Runs)
	if err != nil {
		return err
	}
	for i, r := range results {
		switch {
		case r.Refused == nil:
		case r.Refused.Damage():
			quarantine(l.replica, resp.Runs[i], r.Refused)
			l.noteQuarantined(r.Refused.Error())
		default:
			return r.Refused
		}
	}
	return nil
}

// push carries one half of a session over a peer.
func (s *Session) push(ctx context.Context, peer Peer) error {
	defer s.reader.stop()
	for {
		changed := s.link.store.Saved()
		req, err := s.Next(ctx)
		switch {
		case err != nil:
			return err
		case req == nil:
			select {
			case <-ctx.Done():
				return nil
			case <-changed:
			}
		default:
			if err := s.pushOne(ctx, peer, req); err != nil {
				return err
			}
		}
	}
}

// pushOne sends one message; while it is on its way, the run that will most likely
// follow is read.
func (s *Session) pushOne(ctx context.Context, peer Peer, req *pb.PushRequest) error {
	ctx, cancel := context.WithTimeout(ctx, pushTimeout)
	defer cancel()
	if len(req.Runs) > 0 && s.next <= s.send.To {
		s.reader.readAhead(ctx, s.send, s.next)
	}
	resp, err := peer.Push(ctx, req)
	if err != nil {
		return err
	}
	return s.Answered(resp)
}

// pull carries the other half: it takes what this laptop lacks and stays open for
// what comes.
func (s *Session) pull(ctx context.Context, peer Peer) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := peer.Pull(ctx, s.Ask())
	if err != nil {
		return err
	}
	for {
		resp, err := stream.Recv()
		if err != nil {
			return err
		}
		if err := s.Take(ctx, resp); err != nil {
			return err
		}
	}
}
