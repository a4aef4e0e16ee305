package store

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// Held lists what is held of every log, ordered by log id: the beliefs of this
// replica.
func (s *Store) Held() []exchange.HeldLog {
	infos := s.Logs()
	out := make([]exchange.HeldLog, len(infos))
	for i := range infos {
		out[i] = s.heldOf(&infos[i])
	}
	return out
}

// HeldOne is what is held of one log, as Held lists it.
func (s *Store) HeldOne(id event.LogID) (exchange.HeldLog, bool) {
	l, ok := s.Log(id)
	if !ok {
		return exchange.HeldLog{Log: id}, false
	}
	return s.heldOf(&l), true
}

// heldOf is a log as the exchange sees it. Only what can be read is held: in
// place of a tip that was lost to damage stands the last record before it.
func (s *Store) heldOf(l *LogInfo) exchange.HeldLog {
	h := exchange.HeldLog{Log: l.ID, Lane: l.Lane, Tips: l.tips(), Fork: l.Fork}
	copy(h.Device[:], l.Device())
	if g := s.gapsOf(l.ID); g != nil {
		h.Missing = g.missing
		h.Tips = slices.DeleteFunc(h.Tips, func(t exchange.Tip) bool { return slices.Contains(g.lost, t) })
		if !g.last.Hash.IsZero() && !slices.Contains(h.Tips, g.last) {
			h.Tips = append(h.Tips, g.last)
		}
	}
	slices.SortFunc(h.Tips, func(a, b exchange.Tip) int {
		return cmp.Or(cmp.Compare(b.Seq, a.Seq), b.Hash.Compare(a.Hash))
	})
	return h
}

// gaps are what cannot be read of a log.
type gaps struct {
	missing []exchange.SeqRange // below the last record that can
	lost    []exchange.Tip      // tips that cannot be read
	last    exchange.Tip        // what stands in their place; zero when none is lost
}

// gapsOf looks for what cannot be read of a log; nil when it is whole. It reads
// the log through, but only when damage is known and the log was not found whole
// since.
func (s *Store) gapsOf(id event.LogID) *gaps {
	s.mu.RLock()
	l, ok := s.logs[id]
	skip := !ok || !s.damaged || s.whole[id]
	var info LogInfo
	if !skip {
		info = *l.LogInfo.clone()
	}
	s.mu.RUnlock()
	if skip {
		return nil
	}
	places, err := s.places(id, 0, info.newest()+1)
	if err != nil {
		s.opt.Logger.Error("look for what is missing", "log", id.Short(), "error", err)
		return nil
	}
	g := s.walk(places, info.tips())
	if len(g.missing) == 0 && len(g.lost) == 0 {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.whole[id] = true
		return nil
	}
	return g
}

// walk reads the records at places in order of seq.
func (s *Store) walk(places []place, tips []exchange.Tip) *gaps {
	g := &gaps{lost: tips}
	next := uint64(0)
	var last exchange.Tip
	for _, p := range places {
		r, err := s.recordAt(p.pos)
		if err != nil {
			continue
		}
		if p.seq > next && len(g.missing) < exchange.MaxMissing {
			g.missing = append(g.missing, exchange.SeqRange{From: next, To: p.seq - 1})
		}
		next = p.seq + 1
		last = exchange.Tip{Seq: p.seq, Hash: r.Hash}
		g.lost = slices.DeleteFunc(g.lost, func(t exchange.Tip) bool { return t == last })
	}
	if len(g.lost) > 0 {
		g.last = last
	}
	return g
}
