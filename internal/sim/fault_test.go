package sim

import (
	"math/rand/v2"
	"slices"
	"time"

	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// action does one step on a node; what it draws comes from r.
type action func(w *world, n *node, r *rand.Rand)

// actions are all steps by name.
var actions map[string]action

func init() {
	actions = map[string]action{
		"author":        func(w *world, n *node, r *rand.Rand) { w.author(n, r) },
		"connect":       func(w *world, n *node, r *rand.Rand) { w.dial(n, r) },
		"deliver":       func(w *world, _ *node, r *rand.Rand) { w.deliver(r) },
		"drop":          func(w *world, _ *node, r *rand.Rand) { w.drop(r) },
		"twice":         func(w *world, _ *node, r *rand.Rand) { w.twice(r) },
		"truncate":      func(w *world, _ *node, r *rand.Rand) { w.truncate(r) },
		"stale":         func(w *world, n *node, r *rand.Rand) { w.old(n, r) },
		"timeout":       func(w *world, _ *node, r *rand.Rand) { w.giveUp(r) },
		"hang up":       func(w *world, _ *node, r *rand.Rand) { w.cut(r) },
		"part":          func(w *world, n *node, r *rand.Rand) { w.part(n, r) },
		"clock":         func(_ *world, n *node, r *rand.Rand) { n.setClock(r) },
		"crash":         func(_ *world, n *node, r *rand.Rand) { n.crash(r) },
		"crash in":      func(w *world, n *node, r *rand.Rand) { n.crashIn(w, r) },
		"stop":          func(_ *world, n *node, _ *rand.Rand) { n.stop() },
		"lose index":    func(_ *world, n *node, _ *rand.Rand) { n.loseIndex() },
		"back up":       func(_ *world, n *node, _ *rand.Rand) { n.backUp() },
		"restore":       func(_ *world, n *node, r *rand.Rand) { n.restore(r) },
		"clone":         func(w *world, n *node, r *rand.Rand) { w.clone(n, r) },
		"flip":          func(w *world, n *node, r *rand.Rand) { n.flip(r) },
		"scrub":         func(w *world, n *node, _ *rand.Rand) { n.scrub() },
		"hub lost":      func(w *world, _ *node, _ *rand.Rand) { w.hub.loseDisk() },
		"full":          func(w *world, n *node, r *rand.Rand) { n.fillDisk(r) },
		"sick":          func(w *world, n *node, r *rand.Rand) { n.sicken(r) },
		"statement":     func(w *world, _ *node, _ *rand.Rand) { w.statement() },
		"silent":        func(w *world, _ *node, r *rand.Rand) { w.silence(r) },
		"index full":    func(_ *world, n *node, _ *rand.Rand) { n.fillIndex() },
		"unread":        func(w *world, n *node, r *rand.Rand) { n.unreadable(w, r) },
		"recovers":      func(w *world, n *node, r *rand.Rand) { n.recovers(w, r) },
		"carry":         func(w *world, n *node, r *rand.Rand) { w.carry(n, r) },
		"takeover":      func(w *world, n *node, r *rand.Rand) { w.takeOver(n, r) },
		"partial":       func(_ *world, n *node, _ *rand.Rand) { n.loseSegment() },
		"together":      func(w *world, n *node, r *rand.Rand) { w.together(n, r) },
		"keys":          func(w *world, _ *node, r *rand.Rand) { w.compareKeys(r) },
		"lose keys":     func(w *world, n *node, r *rand.Rand) { w.loseKeys(n, r) },
		"joins":         func(w *world, _ *node, r *rand.Rand) { w.joins(r) },
		"settle":        func(_ *world, n *node, _ *rand.Rand) { n.settle() },
		"rights":        func(w *world, n *node, r *rand.Rand) { w.rights(n, r) },
		"other process": func(w *world, _ *node, r *rand.Rand) { w.takenOver(r) },
	}
}

// weight says how often a step is drawn.
type weight struct {
	name string
	of   int
}

// weights are those of all steps, in the order in which they are listed.
var weights = []weight{
	{"author", 60}, {"connect", 16}, {"deliver", 130}, {"drop", 6}, {"twice", 6}, {"truncate", 4}, {"stale", 4},
	{"timeout", 8}, {"hang up", 3}, {"part", 3}, {"clock", 6}, {"crash", 4}, {"crash in", 8}, {"stop", 2},
	{"lose index", 2}, {"back up", 4}, {"restore", 2}, {"clone", 1}, {"flip", 4}, {"scrub", 2}, {"hub lost", 1},
	{"full", 2}, {"sick", 4}, {"statement", 4}, {"rights", 5},
	{"silent", 4}, {"index full", 2}, {"unread", 2}, {"recovers", 2}, {"carry", 3}, {"takeover", 1}, {"partial", 2},
	{"keys", 2}, {"lose keys", 4}, {"together", 6}, {"settle", 6}, {"joins", 2},
}

// steps draws the steps of a seed.
func steps(seed uint64) []step { return drawn(seed, *stepsFlag, weights) }

func drawn(seed uint64, n int, weights []weight) []step {
	r := pcg(seed ^ 0x5eed)
	total := 0
	for _, x := range weights {
		total += x.of
	}
	out := make([]step, n)
	for i := range out {
		at := r.IntN(total)
		k := 0
		for ; at >= weights[k].of; k++ {
			at -= weights[k].of
		}
		out[i] = step{weights[k].name, r.IntN(8), uint64(r.Uint32())}
	}
	return out
}

func (w *world) dial(n *node, r *rand.Rand) {
	to := w.hub
	if n == w.hub {
		n = w.nodes[r.IntN(len(w.nodes))]
	}
	if busy := slices.ContainsFunc(w.sessions, func(s *session) bool { return s.a == n && s.b == to }); !busy {
		w.connect(n, to)
	}
}

// deliver carries one to six messages over.
func (w *world) deliver(r *rand.Rand) {
	for range 1 + r.IntN(6) {
		if m := w.pick(r); m != nil {
			m.arrive()
			w.touch(m.to)
		}
	}
}

// touch checks a node that took part although the step is not about it.
func (w *world) touch(n *node) { w.check(n) }

func (w *world) drop(r *rand.Rand) {
	if m := w.pick(r); m != nil {
		w.count("dropped")
		m.landed()
	}
}

func (w *world) twice(r *rand.Rand) {
	if m := w.pick(r); m != nil {
		w.count("doubled")
		again := *m
		again.double = true
		w.flying = append(w.flying, &again)
		m.arrive()
		w.touch(m.to)
	}
}

// truncate cuts the bytes of a message, or the end of the last record in it.
func (w *world) truncate(r *rand.Rand) {
	m := w.pick(r)
	if m == nil {
		return
	}
	w.count("truncated")
	m.spoiled = true
	if (m.kind == "push" || m.kind == "stream") && r.IntN(2) == 0 {
		m.bytes = cutRecord(m, r)
	} else if len(m.bytes) > 0 {
		m.bytes = m.bytes[:r.IntN(len(m.bytes))]
	}
	m.arrive()
	w.touch(m.to)
}

// old lets a run come again that was sent long ago, perhaps to somebody else.
func (w *world) old(n *node, r *rand.Rand) {
	if len(w.stale) > 0 && n.store != nil {
		w.count("old run came again")
		_, _ = n.ingest([]*pb.Run{w.stale[r.IntN(len(w.stale))]})
		w.hangUp(func(s *session) bool { return s.a == n }) // as after records by hand
	}
}

func (w *world) giveUp(r *rand.Rand) {
	if len(w.sessions) > 0 {
		w.sessions[r.IntN(len(w.sessions))].timeout()
	}
}

func (w *world) cut(r *rand.Rand) {
	if len(w.sessions) > 0 {
		w.sessions[r.IntN(len(w.sessions))].end()
	}
}

// silence lets a laptop read its stream no more, or read it again.
func (w *world) silence(r *rand.Rand) {
	if len(w.sessions) > 0 {
		s := w.sessions[r.IntN(len(w.sessions))]
		s.silent = !s.silent
		w.count("silent reader")
	}
}

// part cuts the link between two nodes, or mends it.
func (w *world) part(n *node, r *rand.Rand) {
	o := w.nodes[r.IntN(len(w.nodes))]
	k := w.parting(n, o)
	w.parted[k] = !w.parted[k]
	if w.parted[k] && n != o {
		w.count("partition")
		w.hangUp(func(s *session) bool { return w.parting(s.a, s.b) == k })
	}
}

// setClock sets a wall clock wrong: a little, by months, or to where a flat
// battery leaves it.
func (n *node) setClock(r *rand.Rand) {
	n.w.count("clock set")
	now := n.clock.Now()
	switch r.IntN(6) {
	case 0:
		n.clock.SetWall(time.Unix(0, 0))
	case 1:
		n.clock.SetWall(time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.IntN(1000)) * time.Hour))
	case 2:
		n.clock.SetWall(now.Add(-time.Duration(r.IntN(20000)) * time.Second))
	case 3:
		n.clock.SetWall(now.Add(time.Duration(r.IntN(20000)) * time.Second))
	default:
		n.clock.SetWall(start.Add(time.Duration(r.IntN(9000)) * time.Second))
	}
}

// statement lets the hub say what it holds.
func (w *world) statement() {
	h := w.hub
	if h.store == nil {
		return
	}
	var err error
	if h.statements == nil {
		h.statements, err = replication.NewStatements(ctx, h.replica, w.epoch)
	}
	if err == nil {
		err = h.statements.State(ctx)
	}
	if h.holds(err, nil) {
		h.said(h.ownTips())
	} else {
		h.statements = nil
	}
}
