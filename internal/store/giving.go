package store

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// What others are told that is held here, and what can be given to them, is the same
// but where a record is gone on one branch of a fork. Then little is claimed, so that
// all that may be lost comes again (told); and yet the branches that are whole are
// given, as if what hangs on the gone record was not here.

// Giving lists what can be given of every log, ordered by log id.
func (s *Store) Giving() []exchange.HeldLog {
	infos := s.Logs()
	out := make([]exchange.HeldLog, len(infos))
	for i := range infos {
		out[i] = s.giving(&infos[i])
	}
	return out
}

// GivingOne is what can be given of one log, as Giving lists it.
func (s *Store) GivingOne(id event.LogID) (exchange.HeldLog, bool) {
	l, ok := s.Log(id)
	if !ok {
		return exchange.HeldLog{Log: id}, false
	}
	return s.giving(&l), true
}

func (s *Store) giving(l *LogInfo) exchange.HeldLog {
	g := s.gapsOf(l.ID)
	if g == nil || !g.branch || g.rooted.over {
		return s.told(l)
	}
	h := s.heldWith(l, g)
	h.Missing, h.Tips = nil, g.vouchedEnds()
	return h
}

// Gives says that a record is held and, in its log, can be given.
func (s *Store) Gives(log event.LogID, at exchange.Tip) bool {
	return s.Holds(log, at) && !s.gapsOf(log).withholds(at.Hash)
}

// withholds says that nobody would take a record from here: the one before it is
// gone, or no signature vouches for it.
func (g *gaps) withholds(record event.Hash) bool {
	if g == nil {
		return false
	}
	_, bare := g.bare[record]
	return bare || g.branch && g.rooted.stray[record]
}

// rooted looks for what leads back to the opening of a log without a gap, in the
// order of its places.
type rooted struct {
	seq         uint64
	below, here []event.Hash        // that do, at the place before and at seq
	ends        []exchange.Tip      // that nothing follows
	stray       map[event.Hash]bool // that do not
	over        bool                // there are more of those than are remembered
}

// maxStray bounds what is remembered of one log with a gap on a branch.
const maxStray = 1 << 16

func (t *rooted) take(r *event.Record) {
	seq := r.Seq()
	if seq != t.seq {
		t.below, t.here = t.here, nil
		if seq != t.seq+1 {
			t.below = nil
		}
		t.seq = seq
	}
	prev, _ := event.ToHash(r.Head.Prev)
	switch {
	case slices.Contains(t.here, r.Hash): // another copy of it
	case seq == 0 || slices.Contains(t.below, prev):
		t.here = append(t.here, r.Hash)
		t.ends = slices.DeleteFunc(t.ends, func(e exchange.Tip) bool { return e.Hash == prev })
		t.ends = append(t.ends, exchange.Tip{Seq: seq, Hash: r.Hash})
	case len(t.stray) == maxStray:
		t.over = true
	default:
		if t.stray == nil {
			t.stray = map[event.Hash]bool{}
		}
		t.stray[r.Hash] = true
	}
}

// vouchedEnds are the ends of what leads back to the opening, each as far as a
// signature vouches for it.
func (g *gaps) vouchedEnds() (tips []exchange.Tip) {
	for _, end := range g.rooted.ends {
		if end, ok := g.vouched(end); ok && !slices.Contains(tips, end) {
			tips = append(tips, end)
		}
	}
	slices.SortFunc(tips, func(a, b exchange.Tip) int {
		return cmp.Or(cmp.Compare(b.Seq, a.Seq), b.Hash.Compare(a.Hash))
	})
	return tips
}

// vouched goes back from the end of what leads to the opening to where a signature vouches
// for it; ok is false when none does.
func (g *gaps) vouched(end exchange.Tip) (at exchange.Tip, ok bool) {
	link, bare := g.bare[end.Hash]
	for bare && end.Seq > 0 {
		end = exchange.Tip{Seq: end.Seq - 1, Hash: link.prev}
		link, bare = g.bare[end.Hash]
	}
	return end, !bare
}
