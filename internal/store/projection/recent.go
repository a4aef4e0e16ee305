package projection

import (
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// Most attestations name a record that came a moment ago. Those that were applied
// last are kept in mind, so that it need not be looked up in the index and read.

// maxRecent is how many records of each log are kept in mind, about 1 kB a log.
const maxRecent = 32

// recentTips are the records of each log that were applied last, in a ring.
type recentTips map[event.LogID]*[maxRecent]exchange.Tip

func (t recentTips) add(recs []located) {
	for _, l := range recs {
		ring := t[l.rec.Log]
		if ring == nil {
			ring = &[maxRecent]exchange.Tip{}
			t[l.rec.Log] = ring
		}
		ring[l.rec.Head.Seq%maxRecent] = exchange.Tip{Seq: l.rec.Head.Seq, Hash: l.rec.Hash}
	}
}

func (t recentTips) has(log event.LogID, at exchange.Tip) bool {
	ring := t[log]
	return ring != nil && !at.Hash.IsZero() && slices.Contains(ring[:], at)
}

// seen says without looking at the disk that a record is held. A no tells nothing;
// nor is anything said of a log where damage is known.
func (p *Projection) seen(log event.LogID, at exchange.Tip) bool {
	return p.Holds(log, at) || p.opt.Logs.IsEnd(log, at) || p.recent.has(log, at) && p.opt.Logs.IsWhole(log)
}
