package sim

import (
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// session is one connection between two nodes: a opened it, b answers. Records
// flow both ways: a pushes one run at a time, b streams.
type session struct {
	w      *world
	id     int
	a, b   *node
	push   *exchange.Pusher // at a, once hello is done
	pull   *exchange.Pusher // at b, once asked
	flight int              // number of the push on its way
	next   uint64           // what CutRun gave for it
	seenA  uint64           // moves told to push
	seenB  uint64           // moves told to pull
	over   bool
}

// message is on its way. bytes is a marshalled message of its kind.
type message struct {
	s      *session
	to     *node
	kind   string
	bytes  []byte
	flight int
}

func (w *world) parting(a, b *node) [2]int { return [2]int{min(a.id, b.id), max(a.id, b.id)} }

// connect opens a session when both machines are on and the link is there.
func (w *world) connect(a, b *node) *session {
	if a == b || a.store == nil || b.store == nil || w.parted[w.parting(a, b)] {
		return nil
	}
	w.ids++
	s := &session{w: w, id: w.ids, a: a, b: b}
	w.sessions = append(w.sessions, s)
	s.send(b, "hello", &pb.HelloRequest{Beliefs: a.beliefs().PB()})
	return s
}

// hangUp ends sessions; what is on its way in them is lost.
func (w *world) hangUp(which func(*session) bool) {
	for _, s := range w.sessions {
		s.over = s.over || which(s)
	}
	w.sessions = slices.DeleteFunc(w.sessions, func(s *session) bool { return s.over })
	w.flying = slices.DeleteFunc(w.flying, func(m *message) bool { return m.s.over })
}

func (s *session) end() { s.w.hangUp(func(o *session) bool { return o == s }) }

func (s *session) send(to *node, kind string, m proto.Message) {
	b, err := proto.Marshal(m)
	if err != nil {
		s.w.fail("marshal: %v", err)
	}
	s.w.flying = append(s.w.flying, &message{s: s, to: to, kind: kind, bytes: b, flight: s.flight})
}

func (n *node) beliefs() exchange.Beliefs {
	b := exchange.Beliefs{
		Protocol: exchange.Protocol, Fold: ledger.FoldVersion, Program: "sim", Practice: "practice",
		Key: n.store.PublicKey(), Name: n.name, Held: n.store.Held(), WallUs: n.clock.Now().UnixMicro(),
		HubEpoch: "e", Hub: n.hub, Own: n.store.OwnLogs(),
	}
	copy(b.Device[:], n.store.Device())
	return b
}

// arrive delivers a message. Bytes that cannot be read end the session, as a
// broken connection does.
func (m *message) arrive() {
	s := m.s
	if s.over || m.to.store == nil {
		return
	}
	var ok bool
	switch m.kind {
	case "hello":
		ok = s.hello(m.bytes)
	case "welcome":
		ok = s.welcome(m.bytes)
	case "push":
		ok = s.pushed(m)
	case "answer":
		ok = s.answered(m)
	case "pull":
		ok = s.asked(m.bytes)
	case "stream":
		ok = s.streamed(m.bytes)
	}
	if !ok {
		s.end()
	}
}

// meet compares what two sides believe and opens new logs where it must.
func (n *node) meet(theirs exchange.Beliefs) bool {
	found := exchange.Compare(exchange.Mine{Beliefs: n.beliefs(), Has: n.store.Has}, theirs)
	if stop, ok := exchange.Stop(found); ok {
		n.w.fail("%s hangs up: %s", n.name, stop)
	}
	for _, d := range found {
		n.w.count("difference " + d.Kind.String())
		if d.NewEpoch() {
			return n.newEpoch(d.String())
		}
	}
	return true
}

func (n *node) newEpoch(reason string) bool {
	n.w.count("new epoch")
	own := n.store.OwnLogs()
	err := n.store.NewEpoch(reason)
	if err != nil && !n.sick && !n.full {
		n.w.fail("%s cannot open new logs: %v", n.name, err)
	}
	if err != nil {
		n.refused = n.moves()
		return false
	}
	for _, id := range own {
		n.closed[id] = true
	}
	return true
}

func (s *session) hello(b []byte) bool {
	m := &pb.HelloRequest{}
	if proto.Unmarshal(b, m) != nil {
		return false
	}
	theirs, err := exchange.BeliefsFromPB(m.GetBeliefs())
	if err != nil || !s.b.meet(theirs) {
		return false
	}
	s.send(s.a, "welcome", &pb.HelloResponse{Beliefs: s.b.beliefs().PB()})
	return true
}

func (s *session) welcome(b []byte) bool {
	m := &pb.HelloResponse{}
	if proto.Unmarshal(b, m) != nil {
		return false
	}
	theirs, err := exchange.BeliefsFromPB(m.GetBeliefs())
	if err != nil || !s.a.meet(theirs) {
		return false
	}
	_, s.seenA, _ = s.a.store.MovedSince(0)
	s.push = exchange.NewPusher(s.a.store.Held(), theirs.Held, s.a.store.Has)
	s.send(s.b, "pull", &pb.PullRequest{Held: exchange.HeldPB(s.a.store.Held())})
	return s.pump()
}

func (s *session) asked(b []byte) bool {
	m := &pb.PullRequest{}
	if proto.Unmarshal(b, m) != nil {
		return false
	}
	theirs, err := exchange.HeldFromPB(m.Held)
	if err != nil {
		return false
	}
	_, s.seenB, _ = s.b.store.MovedSince(0)
	s.pull = exchange.NewPusher(s.b.store.Held(), theirs, s.b.store.Has)
	return s.pump()
}

// pump lets each side send one run more.
func (s *session) pump() bool {
	s.seenA = tellMoves(s.a.store, s.push, s.seenA)
	s.seenB = tellMoves(s.b.store, s.pull, s.seenB)
	if run, next := s.runOf(s.a, s.push); run != nil {
		s.flight++
		s.next = next
		s.send(s.b, "push", &pb.PushRequest{Runs: []*pb.Run{run}})
	}
	if run, next := s.runOf(s.b, s.pull); run != nil {
		s.pull.Streamed(next)
		s.send(s.a, "stream", &pb.PullResponse{Runs: []*pb.Run{run}})
	}
	return true
}

func tellMoves(st *store.Store, p *exchange.Pusher, seen uint64) uint64 {
	if p == nil {
		return seen
	}
	logs, upto, all := st.MovedSince(seen)
	if all {
		for _, h := range st.Held() {
			p.Moved(h)
		}
	}
	for _, id := range logs {
		if h, ok := st.HeldOne(id); ok {
			p.Moved(h)
		}
	}
	return upto
}

// runOf reads the next run that a side sends; nil when there is none now.
func (s *session) runOf(n *node, p *exchange.Pusher) (*pb.Run, uint64) {
	if p == nil {
		return nil, 0
	}
	for {
		send, ok := p.Next()
		if !ok {
			return nil, 0
		}
		run, next, err := n.store.ReadRun(ctx, send.Log, send.From, send.MaxBytes)
		if err != nil {
			s.w.fail("%s cannot read log %s from %d: %v", n.name, send.Log.Short(), send.From, err)
		}
		if run != nil {
			s.w.remember(run)
			return run, next
		}
		p.Unable()
	}
}

// remember keeps a run that may come again much later.
func (w *world) remember(run *pb.Run) {
	if len(w.stale) < 64 {
		w.stale = append(w.stale, run)
		return
	}
	w.stale[w.ids%64] = run
}

func (s *session) pushed(m *message) bool {
	req := &pb.PushRequest{}
	if proto.Unmarshal(m.bytes, req) != nil {
		return false
	}
	results, err := s.b.ingest(req.Runs)
	if err != nil {
		return false
	}
	out := &pb.PushResponse{}
	for _, r := range results {
		if !r.Tip.Log.IsZero() {
			out.Accepted = append(out.Accepted, r.Tip.PB())
			if s.pull != nil {
				s.pull.TheyHold(r.Tip)
			}
		}
		if r.Refused != nil {
			s.w.refused(r.Refused)
			out.Refused = append(out.Refused, r.Refused.PB())
		}
	}
	flight := s.flight
	s.flight = m.flight
	s.send(s.a, "answer", out)
	s.flight = flight
	return true
}

func (s *session) answered(m *message) bool {
	resp := &pb.PushResponse{}
	if proto.Unmarshal(m.bytes, resp) != nil {
		return false
	}
	if m.flight != s.flight {
		return true // an answer that nobody waits for any more
	}
	var tips []exchange.LogTip
	for _, t := range resp.Accepted {
		tip, err := exchange.TipFromPB(t)
		if err != nil {
			return false
		}
		tips = append(tips, tip)
	}
	var refused []*exchange.Refusal
	for _, r := range resp.Refused {
		back, err := exchange.RefusalFromPB(r)
		if err != nil {
			return false
		}
		refused = append(refused, back)
	}
	s.push.Acked(s.next, tips, refused)
	return s.pump()
}

func (s *session) streamed(b []byte) bool {
	resp := &pb.PullResponse{}
	if proto.Unmarshal(b, resp) != nil {
		return false
	}
	results, err := s.a.ingest(resp.Runs)
	if err != nil {
		return false
	}
	for _, r := range results {
		if r.Refused != nil {
			s.w.refused(r.Refused)
			if !r.Refused.Damage() {
				return false // a gap: the next hello says what is held
			}
		}
		if s.push != nil && !r.Tip.Log.IsZero() {
			s.push.TheyHold(r.Tip)
		}
	}
	return s.pump()
}

// timeout gives up the push that is on its way.
func (s *session) timeout() {
	if s.push != nil {
		s.flight++
		s.push.Failed()
		s.pump()
	}
}

// pick takes a message out of the air: mostly the oldest, else any.
func (w *world) pick(r *rand.Rand) *message {
	if len(w.flying) == 0 {
		return nil
	}
	i := 0
	if r.IntN(3) == 0 {
		i = r.IntN(len(w.flying))
		if i > 0 {
			w.count("reordered")
		}
	}
	m := w.flying[i]
	w.flying = slices.Delete(w.flying, i, i+1)
	return m
}

// meet runs one whole session over a good link.
func (w *world) meet(a, b *node) {
	s := w.connect(a, b)
	for n := 0; s != nil && len(w.flying) > 0; n++ {
		if n > 5000 {
			w.fail("a session between %s and %s does not end", a.name, b.name)
		}
		m := w.flying[0]
		w.flying = w.flying[1:]
		m.arrive()
	}
	w.hangUp(func(*session) bool { return true })
}

func (w *world) refused(r *exchange.Refusal) {
	_, why, _ := strings.Cut(r.Error(), ": ")
	w.count("refused: " + why)
}
