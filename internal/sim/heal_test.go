package sim

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
)

// heal ends all faults, starts all nodes, and lets them meet until they agree.
func (w *world) heal() {
	w.parted = map[[2]int]bool{}
	w.flying = nil
	w.hangUp(func(*session) bool { return true })
	for _, n := range w.nodes {
		n.cure()
		n.clock.Advance(time.Hour)
		if n.store == nil {
			n.open()
		}
		if n.unaware && !n.scrubbed {
			n.scrub()
		}
		w.check(n)
	}
	w.log = append(w.log, "healed")
	const rounds = 8
	for round := 1; !w.agree(); round++ {
		if round > rounds {
			w.apart()
		}
		for _, n := range w.nodes {
			if n != w.hub {
				w.meet(n, w.hub)
			}
		}
		w.did["rounds to agree"] = max(w.did["rounds to agree"], round)
	}
	w.agreed()
}

// agree says that all nodes hold the same of what can be handed on.
func (w *world) agree() bool {
	union := w.sendable()
	return !slices.ContainsFunc(w.nodes, func(n *node) bool {
		have := n.read()
		for h := range union {
			if have[h] == nil {
				return true
			}
		}
		return !n.opensAll(union)
	})
}

// apart says what does not come over.
func (w *world) apart() {
	union := w.sendable()
	for _, n := range w.nodes {
		have := n.read()
		for _, r := range sorted(union) {
			if have[r.Hash] == nil {
				w.fail("after all was healed, %s never gets record %s of log %s, seq %d: %s", n.name, r.Hash.Short(), r.Log.Short(), r.Seq(), w.about(r))
			}
		}
	}
	w.lockedOut(union)
}

// lockedOut says that a node cannot read a note that another one can.
func (w *world) lockedOut(union held) {
	for _, n := range w.nodes {
		if !n.opensAll(union) {
			w.fail("after all was healed, %s never gets the key of a note that another one reads", n.name)
		}
	}
}

// about says what every node thinks of a record and its log.
func (w *world) about(r *event.Record) string {
	var b strings.Builder
	for _, n := range w.nodes {
		h, _ := n.store.HeldOne(r.Log)
		fmt.Fprintf(&b, "\n%s: holds it %v, %d records, damaged %d; tips %v, missing %v, fork %d", n.name, n.read()[r.Hash] != nil, len(n.read()), len(n.hurt), h.Tips, h.Missing, h.Fork)
	}
	return b.String()
}

func (w *world) union() held {
	out := held{}
	for _, n := range w.nodes {
		maps.Copy(out, n.read())
	}
	return out
}

// ordered checks that a record stands behind all that its device held when it
// wrote it, whatever any clock said.
func (w *world) ordered(h held) {
	for _, r := range h {
		before := []*event.Record{h.parent(r)}
		for _, t := range r.Head.Seen {
			if hash, ok := event.ToHash(t.GetHash()); ok {
				before = append(before, h[hash])
			}
		}
		for _, b := range before {
			if b != nil && event.CompareWritten(b, r) >= 0 {
				w.fail("record %s was written by a device that held %s, and stands before it", r.Hash.Short(), b.Hash.Short())
			}
		}
	}
}

// sendable is what the nodes together can bring to one that holds nothing.
func (w *world) sendable() held {
	out := held{}
	for _, n := range w.nodes {
		maps.Copy(out, n.read().vouched())
	}
	return out.whole()
}

// agreed checks the end of the run.
func (w *world) agreed() {
	union := w.union()
	gone := slices.ContainsFunc(w.nodes, func(n *node) bool {
		return slices.ContainsFunc(slices.Collect(maps.Keys(n.hurt)), func(h event.Hash) bool { return union[h] == nil })
	})
	if gone || len(w.sendable()) != len(union) {
		w.count("ended with records that are gone for good")
		return
	}
	w.ordered(union)
	states := union.fold()
	sum := digest(states)
	for _, n := range w.nodes {
		w.check(n)
		n.sameAs(states, sum)
	}
	w.forks(union, states)
}
