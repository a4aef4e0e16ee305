package replication

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Session is one meeting of a link with the other side, from the answer to hello on:
// what to send next, and what to do with what came. It waits for nothing and calls
// nobody. Link.Run carries its messages, and a simulation may carry them one by one.
//
// Next and Answered belong to one half, Take to the other, and the rounds of
// CompareKeys to a third; all may run at the same time.
type Session struct {
	link   *Link
	number uint64 // that the other side gave it; zero of a program that does not compare keys
	pusher *exchange.Pusher
	reader reader
	seen   uint64               // moves of the store that the pusher was told
	keys   int                  // how many keys were sent to a program that does not compare them
	theirs []exchange.HeldLog   // what the other side said that it holds
	asked  []exchange.HeldLog   // what this side said that it holds when it asked
	behind map[event.LogID]bool // logs of which runs came that cannot be joined on

	// What goes out: the run of send up to next, once chosen, and ahead of it keys up
	// to keysNext.
	send     exchange.Send
	chosen   bool
	next     uint64
	keysNext int
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
	err = l.compare(ctx, theirs)
	l.hear(resp.Differences)
	if err != nil {
		return nil, err
	}
	s := &Session{link: l, number: resp.Session, reader: reader{store: l.store}, theirs: theirs.Held, behind: map[event.LogID]bool{}}
	_, s.seen, _ = l.store.MovedSince(0)
	s.pusher = exchange.NewPusher(l.store.Giving(), theirs.Held, l.store.Gives)
	s.pusher.GiveBack(theirs.Own)
	return s, nil
}

// Next is the next message to push: what the other side lacks, then every new record
// of this laptop, each with the keys that it needs. It is nil when there is nothing
// to send until the store saves something. Answered comes before the next Next.
func (s *Session) Next(ctx context.Context) (*pb.PushRequest, error) {
	s.tellMoves()
	for {
		if !s.chosen {
			s.send, s.chosen = s.pusher.Next()
		}
		if !s.chosen || !s.send.Urgent {
			if keys := s.allKeys(); len(keys) > 0 {
				return s.request(nil, keys), nil
			}
		}
		if !s.chosen {
			s.tellQuarantined()
			return nil, nil
		}
		s.chosen = false
		run, next, err := s.reader.read(ctx, s.send)
		if err != nil {
			return nil, err
		}
		if run == nil {
			s.pusher.Unable()
			continue
		}
		s.next = next
		return s.request([]*pb.Run{run}, keysFor(s.link.replica, run)), nil
	}
}

func (s *Session) request(runs []*pb.Run, keys []*pb.FieldKey) *pb.PushRequest {
	return &pb.PushRequest{Device: s.link.store.Device(), Session: s.number, Runs: runs, Keys: keys}
}

// allKeys are all keys, and then each new one, for a program that does not compare
// them by their ids. They come after what is urgent.
func (s *Session) allKeys() (keys []*pb.FieldKey) {
	if s.number != 0 {
		return nil
	}
	if keys, s.keysNext = s.link.replica.Seals.Since(s.keys, replica.MaxKeysSent); len(keys) == 0 {
		s.keys = s.keysNext // these were forgotten
	}
	return keys
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
			if h, ok := store.GivingOne(id); ok {
				s.pusher.Moved(h)
			}
		}
	}
}

// Answered takes the answer to what Next gave. An error ends the session: without
// an answer nothing is known of what was on its way, and the next hello tells.
func (s *Session) Answered(resp *pb.PushResponse) error {
	if s.keys < s.keysNext { // keys were on their way, and no run
		s.keys = s.keysNext
		return nil
	}
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
	s.asked = s.link.store.Held()
	return &pb.PullRequest{Device: s.link.store.Device(), Session: s.number, Held: exchange.HeldPB(s.asked)}
}

// Take saves what came. A gap is an error and ends the session: the next hello
// says what is held. Where that was said already and the same came of it, the log
// waits, and the others go on.
func (s *Session) Take(ctx context.Context, resp *pb.PullResponse) error {
	l := s.link
	l.mu.Lock()
	l.heard = l.clock.Now()
	l.mu.Unlock()
	l.hear(resp.Differences)
	var results []store.RunResult
	if len(resp.Runs) > 0 {
		var err error
		if results, err = l.store.Ingest(ctx, resp.Runs); err != nil {
			return err
		}
	}
	l.takeKeys(ctx, resp.Keys, results)
	for i, r := range results {
		switch {
		case r.Refused == nil && s.behind[r.Tip.Log] && r.Taken > 0:
			return ErrAnew
		case r.Refused == nil:
		case r.Refused.Damage():
			quarantine(l.replica, resp.Runs[i], r.Refused)
			l.noteQuarantined(r.Refused.Error())
		case s.inVain(r.Refused.Log):
			l.noteQuarantined(r.Refused.Error())
		default:
			return r.Refused
		}
	}
	return nil
}

// ErrAnew ends a session in which a log came further that had waited: what came of it
// meanwhile is asked for again.
var ErrAnew = errors.New("records came that others had waited for: the server is asked for those again")

// inVain says that asking the server once more helps nothing: a run of a log cannot be
// joined on, and what is held of it is what was said when that happened before.
func (s *Session) inVain(log event.LogID) bool {
	if s.behind[log] {
		return true
	}
	said, _ := exchange.Find(s.asked, log)
	before, again := s.link.unjoined[log]
	if len(s.link.unjoined) >= exchange.MaxLogs {
		clear(s.link.unjoined)
	}
	s.link.unjoined[log] = said
	if again = again && slices.Equal(before.Tips, said.Tips) && slices.Equal(before.Missing, said.Missing); again {
		s.behind[log] = true
	}
	return again
}

// push carries one half of a session over a peer. It closes sent once all that was
// here has gone out.
func (s *Session) push(ctx context.Context, peer Peer, sent chan<- struct{}) error {
	defer s.reader.stop()
	closeSent := sync.OnceFunc(func() { close(sent) })
	for {
		changed := s.link.store.Saved()
		req, err := s.Next(ctx)
		switch {
		case err != nil:
			return err
		case req == nil:
			closeSent()
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
// what comes. It closes caughtUp once all that the other side had has come.
func (s *Session) pull(ctx context.Context, peer Peer, caughtUp chan<- struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	stream, err := peer.Pull(ctx, s.Ask())
	if err != nil {
		cancel()
		return err
	}
	in := newInbox(ctx, stream)
	defer in.stop() // after the end of its context
	defer cancel()
	closeCaughtUp := sync.OnceFunc(func() { close(caughtUp) })
	for {
		resp, err := in.next()
		if err != nil {
			return err
		}
		if err := s.takeWithRoom(ctx, resp); err != nil {
			return err
		}
		if resp.CaughtUp {
			closeCaughtUp()
		}
	}
}

// takeWithRoom is Take that waits while the disk is full. The session goes on: this
// laptop's own records must still go out, and its server keeps the others.
func (s *Session) takeWithRoom(ctx context.Context, resp *pb.PullResponse) error {
	err := s.Take(ctx, resp)
	if !errors.Is(err, store.ErrNoSpace) {
		return err
	}
	s.link.say("connected, but the disk is full: records are sent, and none can be taken")
	tick := time.NewTicker(roomTick)
	defer tick.Stop()
	for errors.Is(err, store.ErrNoSpace) {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err = s.Take(ctx, resp)
	}
	s.link.say("connected")
	return err
}
