package sim

import (
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

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
		n.index = n.index.AsOf(max(n.index.Persisted, n.index.Len()-back))
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
	if n.store == nil || n.sick || n.index.Refuse != nil {
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

// settle lets the index write down what it gathered while it was far behind.
func (n *node) settle() {
	if n.store == nil || n.sick || n.index.Refuse != nil {
		return
	}
	before := n.index.Len()
	if _, err := n.store.Settle(ctx); err != nil {
		n.w.fail("%s does not settle: %v", n.name, err)
	}
	if n.index.Len() > before {
		n.w.count("gathered and settled")
	}
}

func (n *node) loseIndex() {
	if n.store == nil || n.sick || n.index.Refuse != nil {
		return
	}
	n.off()
	n.index = &indextest.Trail{}
	n.w.count("index lost")
	n.open()
}

// backUp copies the disk as it is now.
func (n *node) backUp() {
	if n.store == nil || n.sick || n.index.Refuse != nil {
		return
	}
	n.w.check(n)
	n.backup = &backup{
		ring: n.ring, kept: n.kept,
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
	n.closed, n.ring, n.kept, n.told = b.closed, b.ring, b.kept, told{}
	if r.IntN(2) == 0 {
		n.index = newer
	}
	n.cure()
	n.open()
	if n.knowsLoss() {
		n.gaveUp(own)
	}
}

// knowsLoss says that the store tells of records that it had and has no more.
func (n *node) knowsLoss() bool {
	if !slices.ContainsFunc(n.store.Repairs(), func(line string) bool { return strings.Contains(line, "are gone from this disk") }) {
		return false
	}
	n.w.count("index ahead of the journal")
	return true
}

// clone starts a laptop's directory on a second machine: one key, two writers.
func (w *world) clone(n *node, r *rand.Rand) {
	if n.store == nil || n.hub || n.sick || n.full || n.index.Refuse != nil || len(w.nodes) >= 8 {
		return
	}
	w.count("cloned")
	c := w.add(n.name+" twin", 0, n.fs.CrashClone(func(n int) int { return 1 }), n.index.AsOf(n.index.Len()))
	c.key, c.acked, c.hurt, c.unaware = n.key, maps.Clone(n.acked), maps.Clone(n.hurt), n.unaware
	c.decayed = maps.Clone(n.decayed)
	c.closed, c.ring, c.kept = maps.Clone(n.closed), n.ring, n.kept
	c.clock.SetWall(n.clock.Now())
	c.open()
	if r.IntN(2) == 0 { // both stay on the link
		w.hangUp(func(s *session) bool { return s.a == n })
		w.connect(n, w.hub)
		w.connect(c, w.hub)
	}
	if r.IntN(2) == 0 { // both write the same place at the same moment
		w.author(n, r)
		w.author(c, r)
	}
}

// flip decays one byte of a frame whose record another node holds whole.
func (n *node) flip(r *rand.Rand) {
	if n.store == nil || n.sick || n.index.Refuse != nil {
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
	var at []int
	for i, f := range n.found.frames {
		if have[f.rec.Hash] != nil && safe[f.rec.Hash] != nil {
			at = append(at, i)
		}
	}
	if len(at) == 0 {
		return
	}
	i := at[r.IntN(len(at))]
	if i == len(n.found.frames)-1 {
		return // damage in the last frame of all looks like a torn write
	}
	n.flipAt(i, r)
}

func (n *node) flipAt(i int, r *rand.Rand) {
	p, rec := n.found.frames[i].at, n.found.frames[i].rec
	if err := n.fs.Flip(segmentPath(p.Segment), int(p.Offset)+r.IntN(16+rec.Size()/2), byte(1<<r.IntN(8))); err != nil {
		n.w.fail("%v", err)
	}
	n.w.count("byte flipped")
	n.decayed[rec.Hash] = rec
	n.hurt[rec.Hash], n.unaware, n.scrubbed = p, true, false
	for j, o := range n.found.frames {
		if j != i && o.rec.Hash == rec.Hash {
			delete(n.hurt, rec.Hash) // another copy is whole
		}
	}
	if r.IntN(2) == 0 {
		n.loseIndex()
	}
}

func (n *node) scrub() {
	if n.store == nil || n.sick || n.index.Refuse != nil {
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
	n.fs, n.index, n.backup, n.unaware, n.ring, n.told = memfs.New(), &indextest.Trail{}, nil, false, nil, told{}
	n.w.epoch = fmt.Sprintf("epoch %d", n.w.ids)
	n.w.ids++
	n.closed = map[event.LogID]bool{}
	n.acked, n.hurt, n.sick, n.full = map[event.Hash]*event.Record{}, map[event.Hash]journal.Position{}, false, false
	n.cure()
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
	total := int64(0)
	for _, e := range n.journalFiles() {
		total += e.Size
	}
	return int(total)
}

// segments are the paths of the journal's files, in order.
func (n *node) segments() (paths []string) {
	for _, e := range n.journalFiles() {
		if strings.HasSuffix(e.Name, ".journal") {
			paths = append(paths, filepath.Join(dir, "journal", e.Name))
		}
	}
	slices.Sort(paths)
	return paths
}

func (n *node) journalFiles() []journal.Entry {
	entries, err := n.fs.ReadDir(filepath.Join(dir, "journal"))
	if err != nil {
		n.w.fail("%v", err)
	}
	return entries
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
	n.sick, n.full, n.index.Refuse = false, false, nil
}
