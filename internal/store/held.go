package store

import (
	"bytes"
	"cmp"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/projection"
)

// Held lists what is held of every log, ordered by log id: the beliefs of this
// replica.
func (s *Store) Held() []exchange.HeldLog {
	infos := s.Logs()
	out := make([]exchange.HeldLog, len(infos))
	for i := range infos {
		out[i] = s.told(&infos[i])
	}
	return out
}

// HeldOne is what is held of one log, as Held lists it.
func (s *Store) HeldOne(id event.LogID) (exchange.HeldLog, bool) {
	l, ok := s.Log(id)
	if !ok {
		return exchange.HeldLog{Log: id}, false
	}
	return s.told(&l), true
}

// told is what others are told of a log: what heldOf says, unless a gap cannot
// be named or could not be refilled. A gap is named by its places in the log, and
// that is not enough when it lies on one branch of a fork. Then only what lies
// below it is named, and all that follows comes again.
func (s *Store) told(l *LogInfo) exchange.HeldLog {
	g := s.gapsOf(l.ID)
	h := s.heldWith(l, g)
	if g == nil || g.first == nil || !s.logs.toldPlainly(l.ID) && !g.branch {
		return h
	}
	h.Missing, h.Tips = nil, nil
	if gap := *g.first; gap > 0 {
		var err error
		if h.Tips, err = s.tipsAt(l.ID, gap-1); err != nil {
			s.opt.Logger.Error("what stands below a gap is not claimed", "error", err)
		}
	}
	return h
}

// tipsAt lists the records of a log at one place as its ends.
func (s *Store) tipsAt(log event.LogID, seq uint64) (tips []exchange.Tip, err error) {
	recs, err := s.projection.RecordsAt(log, seq)
	for _, r := range recs {
		tips = append(tips, exchange.Tip{Seq: seq, Hash: r.Hash})
	}
	slices.SortFunc(tips, newestFirst)
	return tips, err
}

// heldOf is a log as the exchange sees it. Only what can be read is held: in
// place of a tip that was lost to damage stands the last record before it.
func (s *Store) heldOf(l *LogInfo) exchange.HeldLog { return s.heldWith(l, s.gapsOf(l.ID)) }

func (s *Store) heldWith(l *LogInfo, g *gaps) exchange.HeldLog {
	h := exchange.HeldLog{Log: l.ID, Lane: l.Lane, Tips: l.Tips(), Fork: l.Fork}
	copy(h.Device[:], l.Device())
	if g != nil {
		h.Missing = g.missing
		h.Tips = slices.DeleteFunc(h.Tips, func(t exchange.Tip) bool { return slices.Contains(g.lost, t) })
		if !g.last.Hash.IsZero() && !slices.Contains(h.Tips, g.last) {
			h.Tips = append(h.Tips, g.last)
		}
		for _, t := range g.left {
			if !slices.Contains(h.Tips, t) && len(h.Tips) < exchange.MaxBranches {
				h.Tips = append(h.Tips, t)
			}
		}
	}
	slices.SortFunc(h.Tips, newestFirst)
	return h
}

// newestFirst orders the ends of a log as they are told.
func newestFirst(a, b exchange.Tip) int {
	return cmp.Or(cmp.Compare(b.Seq, a.Seq), b.Hash.Compare(a.Hash))
}

// gaps are what cannot be read of a log.
type gaps struct {
	missing []exchange.SeqRange // below the last record that can
	branch  bool                // a record is gone beside one that is here
	first   *uint64             // lowest place at which one is gone below another
	rooted  rooted              // what of it leads back to its opening
	bare    vouching            // what no signature here vouches for
	lost    []exchange.Tip      // tips that cannot be read
	last    exchange.Tip        // the newest record, in their place; zero when none is lost
	left    []exchange.Tip      // what is left of branches whose end is lost
}

// gapsOf looks for what cannot be read of a log; nil when it is whole. It reads
// the log through, but only when it is suspect (damage was met, or its records came
// with gaps) and something has changed since it was read last. What it gives is
// shared and must not be changed.
func (s *Store) gapsOf(id event.LogID) *gaps {
	info, stamp, known, ok := s.logs.suspected(id)
	if !ok || known != nil {
		return known
	}
	places, err := s.projection.Places(id, 0, info.Newest()+1)
	if err != nil {
		// What cannot be looked up is not claimed: it may be sent here once too often.
		s.opt.Logger.Error("look for what is missing", "log", id.Short(), "error", err)
		return &gaps{first: new(uint64), branch: true, lost: info.Tips()}
	}
	g := s.walk(places, info.Tips())
	if len(g.lost) > 0 && info.Fork != 0 {
		g.left = s.left(&info, g)
	}
	s.logs.setBare(id, g.bare)
	if g.first == nil && len(g.lost) == 0 {
		g = nil
	}
	s.logs.scanned(id, stamp, g)
	return g
}

// walk reads the records at places in order of seq.
func (s *Store) walk(places []projection.Place, tips []exchange.Tip) *gaps {
	g, signed := &gaps{lost: slices.Clone(tips)}, vouching{}
	next, start := uint64(0), uint64(0) // start: where the present stretch begins
	var below, here []event.Hash        // at the last two places
	var last exchange.Tip
	for _, p := range places {
		r, err := s.projection.RecordAt(p.Pos)
		if err != nil {
			continue
		}
		if p.Seq > next {
			start = p.Seq
			g.gone(next)
			if len(g.missing) < exchange.MaxMissing {
				g.missing = append(g.missing, exchange.SeqRange{From: next, To: p.Seq - 1})
			}
		}
		if p.Seq >= next {
			below, here = here, nil
		}
		prev, _ := event.ToHash(r.Head.Prev)
		if p.Seq > start && !slices.Contains(below, prev) {
			g.branch = true
			g.gone(p.Seq - 1)
		}
		here = append(here, r.Hash)
		g.rooted.take(r)
		signed.take(r)
		next = p.Seq + 1
		last = exchange.Tip{Seq: p.Seq, Hash: r.Hash}
		g.lost = slices.DeleteFunc(g.lost, func(t exchange.Tip) bool { return t == last })
	}
	if len(g.lost) > 0 {
		g.last = last
	}
	g.unvouched(signed, places, tips)
	return g
}

// left finds what is left of the branches of a forked log whose ends are lost: nobody else
// may have it, and by the ends that are here nobody would learn of it.
func (s *Store) left(l *LogInfo, g *gaps) (tips []exchange.Tip) {
	for _, end := range g.rooted.ends {
		if end == g.last || slices.ContainsFunc(g.missing, func(m exchange.SeqRange) bool { return m.From == end.Seq+1 }) {
			continue // it is told already, or what follows it is told as missing
		}
		vouched, ok := g.vouched(end)
		if !ok || vouched.Seq < l.Fork {
			continue
		}
		above, err := s.projection.RecordsAt(l.ID, vouched.Seq+1)
		if err != nil {
			s.opt.Logger.Error("what is left of a branch is not claimed", "log", l.ID.Short(), "error", err)
			continue
		}
		if !slices.ContainsFunc(above, func(r *event.Record) bool {
			_, bare := g.bare[r.Hash]
			return !bare && bytes.Equal(r.Head.Prev, vouched.Hash[:])
		}) {
			tips = append(tips, vouched)
		}
	}
	return tips
}

func (g *gaps) gone(seq uint64) {
	if g.first == nil || seq < *g.first {
		g.first = &seq
	}
}

// Missing counts records that are known to belong into logs here and cannot be read: what
// was lost to damage, or came with a gap. What can be neither named nor read counts at least
// as one. Of a log with more gaps than are named it is a lower bound.
func (s *Store) Missing() (n uint64) {
	for _, l := range s.logs.list() {
		n += s.gapsOf(l.ID).count()
	}
	return n
}

func (g *gaps) count() (n uint64) {
	if g == nil {
		return 0
	}
	for _, r := range g.missing {
		n += r.To - r.From + 1
	}
	for _, t := range g.lost {
		if g.last.Hash.IsZero() {
			n = max(n, t.Seq+1)
		} else if t.Seq > g.last.Seq {
			n += t.Seq - g.last.Seq
		}
	}
	return max(n, 1)
}
