package sim

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"

	"thawtrail/internal/access"
	"thawtrail/internal/bundle"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// cheap makes the codes of files cost next to nothing: their cost is tested where
// it is kept.
func cheap() { vault.DefaultCost = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1} }

// books are all records of a node in a file, and the file's code.
func (n *node) books(r *rand.Rand) ([]byte, bundle.Code, bool) {
	var seed [32]byte
	binary.BigEndian.PutUint64(seed[:], r.Uint64())
	code, err := bundle.NewCode(rand.NewChaCha8(seed))
	var file bytes.Buffer
	if err == nil {
		_, err = replication.Bundles{Replica: n.replica}.Write(ctx, &file, code, "")
	}
	return file.Bytes(), code, n.holds(err, nil)
}

// carry takes the records of one machine to another one in a file, which may be cut
// on the way.
func (w *world) carry(n *node, r *rand.Rand) {
	o := w.nodes[r.IntN(len(w.nodes))]
	if n == o || n.store == nil || o.store == nil {
		return
	}
	file, code, ok := n.books(r)
	if !ok {
		return
	}
	w.count("carried by hand")
	cut := r.IntN(5) == 0
	if cut {
		file = file[:r.IntN(len(file))]
	}
	before := o.store.Records()
	var out replication.Outcome
	o.given(&message{spoiled: cut}, func() (err error) {
		out, err = replication.Bundles{Replica: o.replica}.Read(ctx, bytes.NewReader(file), code)
		if cut && (err == nil || o.store.Records() != before) {
			w.fail("%s takes a file that is cut: %v", o.name, err)
		}
		return err
	})
	if cut {
		w.count("a file cut")
	}
	w.carried(n, o, out)
}

// carried notes what a reader took of a file.
func (w *world) carried(from, to *node, out replication.Outcome) {
	w.check(to)
	if to.unsettled() || out.New == 0 {
		return
	}
	have := to.read()
	for h := range from.read() {
		if r := have[h]; r != nil {
			to.acked[h] = r
		}
	}
}

// takeOver puts a new machine in the place of the hub: all that it has is the file
// of a laptop and the authority's key. Where that file does not reach back to the
// founding, because of damage at the laptop, those of the others are asked as well.
func (w *world) takeOver(n *node, r *rand.Rand) {
	h := w.hub
	if n == h || h.store == nil || !n.runsWell() {
		return
	}
	givers := slices.DeleteFunc(slices.Clone(w.nodes), func(o *node) bool { return o == h || o == n || !o.runsWell() })
	givers = append([]*node{n}, givers...)
	if n.read()[w.founded.Hash] == nil {
		return
	}
	w.count("a new server from a laptop's file")
	seed := sha256.Sum256(binary.BigEndian.AppendUint64([]byte("server"), r.Uint64()))
	h.key = ed25519.NewKeyFromSeed(seed[:])
	h.loseDisk()
	if !slices.ContainsFunc(givers, func(o *node) bool { return w.takesOffice(o, r) }) {
		w.count("books without the founding")
	}
}

// runsWell says that the machine runs and nothing ails its disk.
func (n *node) runsWell() bool {
	return n.store != nil && !n.sick && !n.full && n.index.Refuse == nil
}

// takesOffice lets the new hub read the books of a laptop and take its office; false
// when they do not reach back to the founding.
func (w *world) takesOffice(n *node, r *rand.Rand) bool {
	h := w.hub
	file, code, ok := n.books(r)
	if !ok {
		return false
	}
	out, err := replication.Bundles{Replica: h.replica}.Read(ctx, bytes.NewReader(file), code)
	if err != nil {
		w.fail("%s cannot read the file of %s: %v", h.name, n.name, err)
	}
	w.carried(n, h, out)
	office := access.Office{Key: authorityKey, Founding: w.joined.Founding, Practice: practiceName, Books: n.name}
	var refused *refusal.Error
	if _, err = office.Take(ctx, h.replica); err != nil && !errors.As(err, &refused) {
		w.fail("%s does not take the place of the server by the file of %s: %v", h.name, n.name, err)
	}
	return err == nil
}

// joins lets one more laptop into the practice, which may have written before.
func (w *world) joins(r *rand.Rand) {
	h := w.hub
	if !h.runsWell() || len(w.nodes) >= 8 {
		return
	}
	w.count("a laptop joined")
	n := w.add(fmt.Sprintf("laptop %d", len(w.nodes)), r.Uint64(), memfs.New(), &indextest.Trail{})
	n.clock.SetWall(h.clock.Now())
	n.open()
	for range r.IntN(3) {
		w.author(n, r)
	}
	rights, err := access.RightsOf(ctx, h.store)
	if err != nil {
		w.fail("%s cannot read who may what: %v", h.name, err)
	}
	if !rights.Founded() {
		return // the founding has not come back to it yet: it lets nobody in
	}
	drafts, err := access.Admission{
		Claim: &pb.EnrolClaim{PublicKey: n.public(), DeviceName: n.name}, By: "owner", Practice: w.joined.Practice,
	}.Drafts(rights)
	if err != nil {
		w.fail("%s does not let %s in: %v", h.name, n.name, err)
	}
	w.wrote(h, drafts...)
}

// fillIndex leaves no room for the index, or makes room again. The journal has its
// reserve and goes on.
func (n *node) fillIndex() {
	switch {
	case n.store == nil || n.sick:
	case n.index.Refuse != nil:
		n.index.Refuse = nil
	default:
		n.w.count("index full")
		n.index.Refuse = index.ErrNoSpace
	}
}

var errUnread = errors.New("input/output error")

// unreadable lets reads of the disk fail for a moment, in which it sends, takes,
// looks and perhaps starts. What was unreadable counts as damaged until the next start.
func (n *node) unreadable(w *world, r *rand.Rand) {
	if n.failReads(w, r) {
		n.off()
		n.open()
	}
}

// recovers does so too, and then lets the machine run on on a disk that is well again,
// and take back what it could not read.
func (n *node) recovers(w *world, r *rand.Rand) {
	if !n.failReads(w, r) {
		return
	}
	if n.store == nil {
		n.open()
		return
	}
	own := n.store.OwnLogs()
	taken, err := n.store.TakeBack(ctx)
	if !slices.Equal(own, n.store.OwnLogs()) {
		w.count("logs joined")
		n.gaveUp(own)
	}
	if errors.Is(err, store.ErrStartAgain) {
		w.count("a new start asked for")
		n.off()
		n.open()
		return
	}
	if err != nil {
		w.fail("%s takes nothing back: %v", n.name, err)
	}
	if taken > 0 {
		w.count("records read again")
	}
}

// failReads lets reads fail from one of the next on; false when the disk has another
// fault.
func (n *node) failReads(w *world, r *rand.Rand) bool {
	if n.store == nil || n.sick || n.index.Refuse != nil {
		return false
	}
	w.count("disk cannot be read")
	n.read() // what the model knows it reads from another disk
	good := r.IntN(6)
	n.fs.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind != memfs.Read {
			return memfs.Fault{}
		}
		if good--; good >= 0 {
			return memfs.Fault{}
		}
		return memfs.Fault{Err: errUnread}
	})
	n.sick = true
	switch r.IntN(4) {
	case 0:
		n.off()
		if n.tryOpen() != nil {
			w.count("not started on a disk that cannot be read")
			n.store = nil
		}
	case 1:
		_ = n.store.Scrub(ctx)
	case 2:
		w.author(n, r)
	default:
		w.deliver(r)
		w.pumpAll()
	}
	n.sick = false
	n.fs.SetHook(nil)
	return true
}

// loseSegment takes the newest file of the journal: what was in it is gone from
// here. The index had seen it, so that the loss must be known, and the laptop goes on
// in new logs.
func (n *node) loseSegment() {
	if n.store == nil || n.sick || n.full || n.index.Refuse != nil || n.unsettled() {
		return
	}
	if err := n.store.CatchUp(ctx); err != nil {
		n.w.fail("%s: catch up: %v", n.name, err)
	}
	n.settle()
	n.w.check(n)
	names, before, own := n.segments(), len(n.read()), n.store.OwnLogs()
	if len(names) < 2 || n.store.Trouble() != nil {
		return // an index that is still kept in memory would be gone with the machine
	}
	n.off()
	gone := names[len(names)-1]
	if err := n.fs.Remove(gone); err != nil {
		n.w.fail("%v", err)
	}
	n.found = nil
	have := n.read()
	// What is damaged behind all that is left looks like a torn write. It is told with
	// the loss, by where the journal ends now, and out of sight once that goes on.
	end := journal.Position{}
	if left := n.found.frames; len(left) > 0 {
		end = left[len(left)-1].at
	}
	maps.DeleteFunc(n.hurt, func(_ event.Hash, at journal.Position) bool { return at.Compare(end) > 0 })
	for h := range n.acked {
		if have[h] == nil {
			delete(n.acked, h)
		}
	}
	n.open()
	if len(have) == before {
		return
	}
	n.w.count("part of the journal gone")
	if !n.knowsLoss() {
		n.w.fail("%s lost the end of its journal and does not say so", n.name)
	}
	n.gaveUp(own)
}
