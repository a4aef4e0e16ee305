package sim

import (
	"errors"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// action does one step on a node; what it draws comes from r.
type action func(w *world, n *node, r *rand.Rand)

// actions are all steps by name.
var actions map[string]action

func init() {
	actions = map[string]action{
		"author":     func(w *world, n *node, r *rand.Rand) { w.author(n, r) },
		"connect":    func(w *world, n *node, r *rand.Rand) { w.dial(n, r) },
		"deliver":    func(w *world, _ *node, r *rand.Rand) { w.deliver(r) },
		"drop":       func(w *world, _ *node, r *rand.Rand) { w.drop(r) },
		"twice":      func(w *world, _ *node, r *rand.Rand) { w.twice(r) },
		"truncate":   func(w *world, _ *node, r *rand.Rand) { w.truncate(r) },
		"stale":      func(w *world, n *node, r *rand.Rand) { w.old(n, r) },
		"timeout":    func(w *world, _ *node, r *rand.Rand) { w.giveUp(r) },
		"hang up":    func(w *world, _ *node, r *rand.Rand) { w.cut(r) },
		"part":       func(w *world, n *node, r *rand.Rand) { w.part(n, r) },
		"clock":      func(_ *world, n *node, r *rand.Rand) { n.setClock(r) },
		"crash":      func(_ *world, n *node, r *rand.Rand) { n.crash(r) },
		"crash in":   func(w *world, n *node, r *rand.Rand) { n.crashIn(w, r) },
		"stop":       func(_ *world, n *node, _ *rand.Rand) { n.stop() },
		"lose index": func(_ *world, n *node, _ *rand.Rand) { n.loseIndex() },
		"back up":    func(_ *world, n *node, _ *rand.Rand) { n.backUp() },
		"restore":    func(_ *world, n *node, r *rand.Rand) { n.restore(r) },
		"clone":      func(w *world, n *node, r *rand.Rand) { w.clone(n, r) },
		"flip":       func(w *world, n *node, r *rand.Rand) { n.flip(r) },
		"scrub":      func(w *world, n *node, _ *rand.Rand) { n.scrub() },
		"hub lost":   func(w *world, _ *node, _ *rand.Rand) { w.hub.loseDisk() },
		"full":       func(w *world, n *node, r *rand.Rand) { n.fillDisk(r) },
		"sick":       func(w *world, n *node, r *rand.Rand) { n.sicken(r) },
		"statement":  func(w *world, _ *node, _ *rand.Rand) { w.statement() },
		"rights":     func(w *world, n *node, r *rand.Rand) { w.rights(n, r) },
	}
}

// weights say how often each step is drawn, and in what order they are listed.
var weights = []struct {
	name string
	of   int
}{
	{"author", 60}, {"connect", 16}, {"deliver", 130}, {"drop", 6}, {"twice", 6}, {"truncate", 4}, {"stale", 4},
	{"timeout", 8}, {"hang up", 3}, {"part", 3}, {"clock", 6}, {"crash", 4}, {"crash in", 8}, {"stop", 2},
	{"lose index", 2}, {"back up", 4}, {"restore", 2}, {"clone", 1}, {"flip", 4}, {"scrub", 2}, {"hub lost", 1},
	{"full", 2}, {"sick", 4}, {"statement", 4}, {"rights", 5},
}

// steps draws the steps of a seed.
func steps(seed uint64, n int) []step {
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
	if n == w.hub || r.IntN(5) == 0 {
		to = w.nodes[r.IntN(len(w.nodes))]
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
	}
}

func (w *world) twice(r *rand.Rand) {
	if m := w.pick(r); m != nil {
		w.count("doubled")
		w.flying = append(w.flying, m)
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

// crash stops the machine between two steps: what was not synced is lost, torn
// or kept, and the index comes back as it was some updates ago, or not at all.
func (n *node) crash(r *rand.Rand) {
	if n.store == nil {
		return
	}
	n.w.count("crash")
	n.off()
	n.fs = n.fs.CrashClone(r.IntN)
	n.cure()
	n.ageIndex(r)
	n.open()
}

func (n *node) ageIndex(r *rand.Rand) {
	switch r.IntN(4) {
	case 0:
		n.w.count("index lost")
		n.index = &indextest.Trail{}
	case 1, 2:
		back := r.IntN(6)
		n.index = n.index.AsOf(max(0, n.index.Len()-back))
	}
}

var errDied = errors.New("the machine died")

// crashIn stops the machine in the middle of a write: at one of its operations on
// the disk, which may still have happened.
func (n *node) crashIn(w *world, r *rand.Rand) {
	if n.store == nil || n.sick {
		return
	}
	left, applied, died := r.IntN(4), r.IntN(2) == 0, false
	n.fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Read || op.Kind == memfs.OpenRead || op.Kind == memfs.ReadDir {
			return memfs.Fault{}
		}
		if left--; left >= 0 {
			return memfs.Fault{}
		}
		f := memfs.Fault{Err: errDied, Applied: applied && !died, Bytes: r.IntN(op.Size + 1)}
		died = true
		return f
	})
	n.sick = true
	w.author(n, r)
	if died {
		w.count("crash inside a write")
	}
	n.crash(r)
}

// stop closes the machine well and starts it again.
func (n *node) stop() {
	if n.store == nil || n.sick {
		return
	}
	s := n.store
	n.off()
	if err := s.Close(); err != nil {
		n.w.fail("%s does not close: %v", n.name, err)
	}
	n.w.count("clean restart")
	n.open()
}

func (n *node) loseIndex() {
	if n.store == nil || n.sick {
		return
	}
	n.off()
	n.index = &indextest.Trail{}
	n.w.count("index lost")
	n.open()
}

// backUp copies the disk as it is now.
func (n *node) backUp() {
	if n.store == nil || n.sick {
		return
	}
	n.backup = &backup{
		fs: n.fs.CrashClone(func(n int) int { return 1 }), trail: n.index.AsOf(n.index.Len()),
		acked: maps.Clone(n.acked), hurt: maps.Clone(n.hurt), unaware: n.unaware, closed: maps.Clone(n.closed),
	}
}

// restore puts an older copy of the disk back. What came since is gone from here.
// Now and then only the journal is put back: then the index knows that records are
// gone, and the logs that the laptop wrote are given up without asking anybody.
func (n *node) restore(r *rand.Rand) {
	b := n.backup
	if n.store == nil || b == nil {
		return
	}
	n.w.count("restored from an older copy")
	own, newer := n.store.OwnLogs(), n.index
	n.off()
	n.backup = nil
	n.fs, n.index, n.acked, n.hurt, n.unaware = b.fs, b.trail, b.acked, b.hurt, b.unaware
	n.closed = b.closed
	if r.IntN(2) == 0 {
		n.index = newer
	}
	n.cure()
	n.open()
	if slices.ContainsFunc(n.store.Repairs(), func(line string) bool { return strings.Contains(line, "are gone from this disk") }) {
		n.w.count("index ahead of the journal")
		for _, id := range own {
			n.closed[id] = true
		}
	}
}

// clone starts a laptop's directory on a second machine: one key, two writers.
func (w *world) clone(n *node, r *rand.Rand) {
	if n.store == nil || n.hub || n.sick || n.full || len(w.nodes) >= 8 {
		return
	}
	w.count("cloned")
	c := w.add(n.name+" twin", 0, n.fs.CrashClone(func(n int) int { return 1 }), n.index.AsOf(n.index.Len()))
	c.key, c.acked, c.hurt, c.unaware = n.key, maps.Clone(n.acked), maps.Clone(n.hurt), n.unaware
	c.closed = maps.Clone(n.closed)
	c.clock.SetWall(n.clock.Now())
	c.open()
	if r.IntN(2) == 0 { // both write the same place at the same moment
		w.author(n, r)
		w.author(c, r)
	}
}

// flip decays one byte of a frame whose record another node holds whole.
func (n *node) flip(r *rand.Rand) {
	if n.store == nil || n.sick {
		return
	}
	have := n.read()
	others := held{}
	for _, o := range n.w.nodes {
		if o.store != nil && !o.unsettled() && !o.key.Equal(n.key) {
			maps.Copy(others, o.read())
		}
	}
	safe := others.whole()
	var at []journal.Position
	for p, rec := range n.frames {
		if have[rec.Hash] != nil && safe[rec.Hash] != nil {
			at = append(at, p)
		}
	}
	if len(at) == 0 {
		return
	}
	slices.SortFunc(at, journal.Position.Compare)
	p := at[r.IntN(len(at))]
	if p == slices.MaxFunc(slices.Collect(maps.Keys(n.frames)), journal.Position.Compare) {
		return // damage in the last frame of all looks like a torn write
	}
	n.flipAt(p, r)
}

func (n *node) flipAt(p journal.Position, r *rand.Rand) {
	rec := n.frames[p]
	if err := n.fs.Flip(segmentPath(p.Segment), int(p.Offset)+r.IntN(16+rec.Size()/2), byte(1<<r.IntN(8))); err != nil {
		n.w.fail("%v", err)
	}
	n.w.count("byte flipped")
	delete(n.frames, p)
	n.hurt[rec.Hash], n.unaware, n.scrubbed = true, true, false
	for q, o := range n.frames {
		if q != p && o.Hash == rec.Hash {
			delete(n.hurt, rec.Hash) // another copy is whole
		}
	}
	if r.IntN(2) == 0 {
		n.loseIndex()
	}
}

func (n *node) scrub() {
	if n.store == nil || n.sick {
		return
	}
	if err := n.store.Scrub(ctx); err != nil {
		n.w.fail("%s: scrub: %v", n.name, err)
	}
	n.scrubbed = true
	if len(n.hurt) > 0 && len(n.store.Repairs()) == 0 {
		n.w.fail("%s has damage and does not say so", n.name)
	}
}

// loseDisk takes everything but the key.
func (n *node) loseDisk() {
	if n.store == nil {
		return
	}
	n.w.count("hub lost its data")
	n.off()
	n.fs, n.index, n.backup, n.unaware = memfs.New(), &indextest.Trail{}, nil, false
	n.closed = map[event.LogID]bool{}
	n.acked, n.hurt, n.sick, n.full = map[event.Hash]*event.Record{}, map[event.Hash]bool{}, false, false
	n.open()
}

// fillDisk leaves a few bytes of room, or makes room again.
func (n *node) fillDisk(r *rand.Rand) {
	if n.store == nil || n.sick {
		return
	}
	if n.full {
		n.cure()
		return
	}
	n.w.count("disk full")
	n.full = true
	n.fs.SetCapacity(n.used() + r.IntN(2000))
}

func (n *node) used() int {
	entries, err := n.fs.ReadDir(filepath.Join(dir, "journal"))
	if err != nil {
		n.w.fail("%v", err)
	}
	total := int64(0)
	for _, e := range entries {
		total += e.Size
	}
	return int(total)
}

// sicken makes the next write or sync fail, once or a few times; it may have
// happened all the same. Then the disk is well again.
func (n *node) sicken(r *rand.Rand) {
	if n.store == nil || n.sick {
		return
	}
	n.w.count("disk error")
	left, kind, applied := 1+r.IntN(4), []memfs.Kind{memfs.Write, memfs.Sync, memfs.SyncDir, memfs.Create}[r.IntN(4)], r.IntN(2) == 0
	n.fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind != kind || left == 0 {
			return memfs.Fault{}
		}
		left--
		return memfs.Fault{Err: errors.New("the disk does not answer"), Applied: applied, Bytes: op.Size / 2}
	})
	n.sick = true
	n.w.author(n, r)
	n.sick = false
	n.fs.SetHook(nil)
}

// cure gives room and ends faults.
func (n *node) cure() {
	n.fs.SetHook(nil)
	n.fs.SetCapacity(0)
	n.sick, n.full = false, false
}

// statement lets the hub say what it holds.
func (w *world) statement() {
	h := w.hub
	if h.store == nil {
		return
	}
	p := &pb.HubStatement{HubEpoch: []byte("e"), Number: uint64(w.ids), WallUs: h.clock.Now().UnixMicro()}
	w.ids++
	for _, l := range h.store.Logs() {
		if !l.Tip.Hash.IsZero() {
			p.Accepted = append(p.Accepted, &pb.AcceptedTip{Tip: tipPB(l.ID, l.Tip), NewestWallUs: l.WallUs})
		}
	}
	w.wrote(h, store.Draft{Type: event.TypeHubStatement, Payload: p})
}
