package sim

import (
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
)

// boot puts the production replication over a store that was opened: what a laptop
// or the hub has besides it.
func (n *node) boot() {
	random := rand.NewChaCha8(n.random())
	seals, err := trust.NewKeys(n.ring, n.fencedRing(), random)
	if err != nil {
		n.w.fail("%s: keys of sealed fields: %v", n.name, err)
	}
	n.replica = &replica.Replica{
		Store: n.store, Clock: n.clock, Random: random, Seals: seals, Hub: n.hub, Name: n.name, Joined: &n.w.joined,
		Carried: make(chan struct{}, 1), Log: slog.New(slog.DiscardHandler),
	}
	n.link = replication.NewLink(n.replica, "the hub", nil, n.memory())
	n.replica.Link = n.link
	epoch := n.link.HubEpoch
	if n.hub {
		epoch = func() string { return n.w.epoch }
	}
	n.responder = &replication.Responder{Replica: n.replica, Practice: func() string { return n.w.joined.Practice }, Epoch: epoch}
	n.statements = nil
}

// keepRing keeps the keys of sealed fields in a file of their own, whole or not at
// all.
func (n *node) keepRing(ring []byte) error {
	if n.sick || n.full {
		return errors.New("the disk does not take the keys")
	}
	n.ring = slices.Clone(ring)
	return nil
}

// memory is what the laptop keeps of the hub over a restart, in a file of its own.
func (n *node) memory() replication.Memory {
	return replication.Memory{Kept: n.kept, Save: func(b []byte) error {
		if n.sick || n.full {
			return errors.New("the disk does not take it")
		}
		n.kept = b
		return nil
	}}
}

// session is one connection of a laptop to the hub: the production steps of both
// sides, and between them the air that carries their messages.
type session struct {
	w        *world
	id       int
	a, b     *node
	greeting replication.Greeting
	met      *replication.Session // at a, once hello is done
	stream   *replication.Stream  // at b, once asked
	flight   int                  // number of the push on its way
	waiting  bool                 // for its answer
	streamed int                  // messages of the stream on their way
	round    *replication.KeyRound
	question int  // number of the question about keys on its way
	sent     bool // all that a had has gone out
	caughtUp bool // all that b had has come
	compared bool // keys, since then
	silent   bool // a does not read its stream
	over     bool
}

// window is how many messages of a stream the air takes before the sender waits.
const window = 2

// message is on its way. bytes is a marshalled message of its kind.
type message struct {
	s       *session
	to      *node
	kind    string
	bytes   []byte
	flight  int  // of a push or a question, and of its answer
	double  bool // it came before
	spoiled bool // its bytes were cut: whatever the reader says to it is right
}

func (w *world) parting(a, b *node) [2]int { return [2]int{min(a.id, b.id), max(a.id, b.id)} }

// connect opens a session when both machines are on and the link is there.
func (w *world) connect(a, b *node) *session {
	if a == b || a.store == nil || b.store == nil || w.parted[w.parting(a, b)] {
		return nil
	}
	w.hangUp(func(s *session) bool { return s.a == a && s.b.taker != nil }) // a laptop has one link
	w.ids++
	s := &session{w: w, id: w.ids, a: a, b: b, greeting: a.link.Greet()}
	w.sessions = append(w.sessions, s)
	s.send(b, "hello", s.greeting.Request)
	return s
}

// hangUp ends sessions. What is on its way in them is lost, but for a push: the
// other side may have it already.
func (w *world) hangUp(which func(*session) bool) {
	for _, s := range w.sessions {
		if s.over = s.over || which(s); s.over && s.stream != nil {
			s.stream.Close()
			s.stream = nil
		}
	}
	w.sessions = slices.DeleteFunc(w.sessions, func(s *session) bool { return s.over })
	w.flying = slices.DeleteFunc(w.flying, func(m *message) bool { return m.s.over && m.kind != "push" })
}

func (s *session) end() { s.w.hangUp(func(o *session) bool { return o == s }) }

func (s *session) send(to *node, kind string, m proto.Message) {
	b, err := proto.Marshal(m)
	if err != nil {
		s.w.fail("marshal: %v", err)
	}
	s.w.flying = append(s.w.flying, &message{s: s, to: to, kind: kind, bytes: b})
}

// numbered sends a message that is a push or a question, or an answer to one.
func (s *session) numbered(to *node, kind string, flight int, m proto.Message) {
	s.send(to, kind, m)
	s.w.flying[len(s.w.flying)-1].flight = flight
}

// beliefs are what the model takes this node to believe.
func (n *node) beliefs() exchange.Beliefs {
	b := exchange.Beliefs{
		Protocol: exchange.Protocol, Fold: ledger.FoldVersion, Program: replica.Version, Practice: n.w.joined.Practice,
		Key: n.store.PublicKey(), Name: n.name, Held: n.store.Held(), WallUs: n.clock.Now().UnixMicro(),
		HubEpoch: n.w.epoch, Hub: n.hub, Own: n.store.OwnLogs(),
	}
	copy(b.Device[:], n.store.Device())
	return b
}

// landed makes room in the window of a stream.
func (m *message) landed() {
	if m.kind == "stream" && !m.double {
		m.s.streamed--
	}
}

// arrive delivers a message. An error of the production code ends the session, as
// it ends a connection.
func (m *message) arrive() {
	s := m.s
	m.landed()
	if m.to.store == nil || s.over && m.kind != "push" {
		return
	}
	var ok bool
	switch m.kind {
	case "hello":
		ok = s.hello(m)
	case "welcome":
		ok = s.welcome(m)
	case "push":
		ok = s.pushed(m)
	case "answer":
		ok = s.answered(m)
	case "pull":
		ok = s.asked(m)
	case "stream":
		ok = s.took(m)
	case "which keys":
		ok = s.askedKeys(m)
	case "keys":
		ok = s.toldKeys(m)
	case "gift":
		ok = s.gave(m)
	case "thanks":
		ok = s.thanked(m)
	}
	if ok = ok && s.pump(); !ok {
		s.end()
	}
}

// held says that a step of production code did what it should. It may fail on a
// disk that fails, on bytes that were cut, and at a gap.
func (n *node) holds(err error, m *message) bool {
	if err == nil {
		return true
	}
	var gap *exchange.Refusal
	if errors.As(err, &gap) {
		n.w.refused(gap)
		return false
	}
	if n.fencedOff(err) {
		return false
	}
	if !n.sick && !n.full && n.index.Refuse == nil && (m == nil || !m.spoiled) {
		n.w.fail("%s hangs up: %v", n.name, err)
	}
	n.refused = n.moves()
	return false
}

// meeting runs a step in which a laptop compares beliefs, and sees that it gives up
// its logs where the model says so.
func (n *node) meeting(theirs *pb.Beliefs, m *message, step func() error) bool {
	lost := false
	if b, err := exchange.BeliefsFromPB(theirs); err == nil {
		_ = exchange.Compare(exchange.Mine{Beliefs: n.beliefs(), Has: n.store.Holds}, b)
		found := exchange.Compare(exchange.Mine{Beliefs: n.beliefs(), Has: n.store.Holds}, b) // damage may have come to light
		for _, d := range found {
			n.w.count("difference " + d.Kind.String())
		}
		_, lost = exchange.NewEpoch(found)
	}
	own := n.store.OwnLogs()
	if !n.holds(step(), m) {
		return false
	}
	if lost {
		n.w.count("new epoch")
		n.gaveUp(own)
	}
	n.said(n.ownTips())
	return true
}

// given runs a step that takes records. When they show that records of this device
// were lost here, it has to go on in new logs.
func (n *node) given(m *message, step func() error) bool {
	own := n.store.OwnLogs()
	if !n.holds(step(), m) {
		return false
	}
	if now := n.store.OwnLogs(); !slices.Equal(own, now) {
		n.w.count("own records came back")
		n.gaveUp(own)
	}
	return true
}

// gaveUp notes logs that this machine must not write on in.
func (n *node) gaveUp(own []event.LogID) {
	for _, id := range own {
		n.closed[id] = true
	}
}

func (s *session) hello(m *message) bool {
	req := &pb.HelloRequest{}
	if proto.Unmarshal(m.bytes, req) != nil {
		return false
	}
	resp, err := s.b.responder.Hello(ctx, req)
	if !s.b.holds(err, m) {
		return false
	}
	s.send(s.a, "welcome", resp)
	return true
}

func (s *session) welcome(m *message) bool {
	resp := &pb.HelloResponse{}
	if proto.Unmarshal(m.bytes, resp) != nil || s.met != nil {
		return false
	}
	ok := s.a.meeting(resp.GetBeliefs(), m, func() (err error) {
		s.met, err = s.a.link.Meet(ctx, s.greeting, resp)
		return err
	})
	if ok {
		s.send(s.b, "pull", s.met.Ask())
	}
	return ok
}

func (s *session) asked(m *message) bool {
	req := &pb.PullRequest{}
	if proto.Unmarshal(m.bytes, req) != nil || s.stream != nil {
		return false
	}
	var err error
	s.stream, err = s.b.responder.Open(ctx, req, air{s})
	return s.b.holds(err, m)
}

// air carries a stream of the hub.
type air struct{ s *session }

func (a air) Send(m *pb.PullResponse) error {
	a.s.w.remember(m.Runs...)
	a.s.streamed++
	a.s.send(a.s.a, "stream", m)
	return nil
}

func (a air) SendShared(slot *replication.Encoded, message func() *pb.PullResponse) error {
	form, err := slot.Get(func() (any, error) { return message(), nil })
	if err != nil {
		return err
	}
	a.s.w.count("one reading for many streams")
	return a.Send(form.(*pb.PullResponse))
}

// pump lets each side send what it has to send now.
func (s *session) pump() bool {
	if s.over {
		return true
	}
	s.a.hears()
	if s.met != nil && !s.waiting {
		req, err := s.met.Next(ctx)
		if !s.a.holds(err, nil) {
			return false
		}
		s.sent = s.sent || req == nil
		if req != nil {
			s.flight++
			s.waiting = true
			s.w.remember(req.Runs...)
			s.numbered(s.b, "push", s.flight, req)
		}
	}
	for s.stream != nil && s.streamed < window {
		more, err := s.stream.Step()
		if err != nil && s.replaced(err) || !s.b.holds(err, nil) {
			return false
		}
		if !more {
			break
		}
	}
	if s.sent && s.caughtUp && !s.compared {
		s.compared = true
		s.compareKeys()
	}
	return true
}

// pumpAll lets every session go on: production code is woken by what is saved, and
// by records that came by hand.
func (w *world) pumpAll() {
	for _, s := range slices.Clone(w.sessions) {
		select {
		case <-s.a.replica.Carried:
			w.hangUp(func(o *session) bool { return o.a == s.a })
		default:
		}
		if !s.pump() {
			s.end()
		}
	}
}

// remember keeps runs that may come again much later.
func (w *world) remember(runs ...*pb.Run) {
	for _, run := range runs {
		if len(w.stale) < 64 {
			w.stale = append(w.stale, run)
		} else {
			w.stale[w.ids%64] = run
		}
	}
}

func (s *session) pushed(m *message) bool {
	req := &pb.PushRequest{}
	if proto.Unmarshal(m.bytes, req) != nil {
		return false
	}
	var resp *pb.PushResponse
	if s.b.taker != nil {
		s.w.count("pushed to who was taken over")
	}
	ok := s.b.given(m, func() (err error) {
		resp, err = s.b.responder.Push(ctx, req)
		return err
	})
	if !ok {
		return false
	}
	s.b.answeredWith(resp)
	if !s.over {
		s.numbered(s.a, "answer", m.flight, resp)
	}
	return true
}

// answeredWith notes what was acknowledged to another device.
func (n *node) answeredWith(resp *pb.PushResponse) {
	for _, t := range resp.Accepted {
		if tip, err := exchange.TipFromPB(t); err == nil {
			n.said([]exchange.LogTip{tip})
		}
	}
	for _, r := range resp.Refused {
		if back, err := exchange.RefusalFromPB(r); err == nil {
			n.w.refused(back)
		}
	}
}

func (s *session) answered(m *message) bool {
	resp := &pb.PushResponse{}
	if proto.Unmarshal(m.bytes, resp) != nil {
		return false
	}
	if m.flight != s.flight || !s.waiting {
		return true // an answer that nobody waits for any more
	}
	s.waiting = false
	return s.a.holds(s.met.Answered(resp), m)
}

func (s *session) took(m *message) bool {
	resp := &pb.PullResponse{}
	if proto.Unmarshal(m.bytes, resp) != nil {
		return false
	}
	full, anew := false, false
	ok := s.a.given(m, func() error {
		err := s.met.Take(ctx, resp)
		if full, anew = errors.Is(err, store.ErrNoSpace), errors.Is(err, replication.ErrAnew); full || anew {
			return nil
		}
		return err
	})
	if anew {
		s.w.count("a log that waited")
		s.a.took(resp.Runs)
		return false
	}
	if full { // it waits for room, and the session goes on
		s.w.count("waited for room")
		s.a.refused = s.a.moves()
		s.streamed++
		s.w.flying = append(s.w.flying, &message{s: s, to: m.to, kind: m.kind, bytes: m.bytes, spoiled: m.spoiled})
		return true
	}
	if ok {
		s.a.took(resp.Runs)
	}
	if ok && resp.CaughtUp && !s.caughtUp {
		s.caughtUp = true
		return s.savedAgain()
	}
	return ok
}

// savedAgain lets the laptop save again what is stranded on it, once the other side
// gave all that it had.
func (s *session) savedAgain() bool {
	before := s.a.store.Records()
	err := s.met.SaveAgain(ctx)
	if s.a.store.Records() > before {
		s.w.count("saved again")
	}
	if errors.Is(err, replication.ErrLost) {
		return false // it says hello again, and asks for what it lost
	}
	return s.a.holds(err, nil)
}

// timeout gives up the push that is on its way, and with it the session.
func (s *session) timeout() {
	if s.waiting {
		s.w.count("push timed out")
		s.end()
	}
}

// pick takes a message out of the air: mostly the oldest, else any. What goes to a
// silent reader stays there.
func (w *world) pick(r *rand.Rand) *message {
	var ready []int
	for i, m := range w.flying {
		if m.kind != "stream" || !m.s.silent {
			ready = append(ready, i)
		}
	}
	if len(ready) == 0 {
		return nil
	}
	i := ready[0]
	if r.IntN(3) == 0 {
		i = ready[r.IntN(len(ready))]
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
	w.check(a)
	w.check(b)
	w.hangUp(func(*session) bool { return true })
}

func (w *world) refused(r *exchange.Refusal) {
	_, why, _ := strings.Cut(r.Error(), ": ")
	w.count("refused: " + why)
}
