package store

import (
	"maps"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// authorship is what the next record of this device says beside its fact. The
// writer alone moves it; others look, and note damage and the clock's offset.
type authorship struct {
	mu sync.RWMutex // guards the fields below; held only to look or to publish

	own    map[pb.Lane]event.LogID      // the logs this device writes now
	seen   map[event.LogID]exchange.Tip // tips that came since our last record
	hlc    int64                        // newest hybrid clock in the journal
	hubUs  int64                        // newest hub statement's time
	wallUs int64                        // wall clock of our last record
	offset measurement                  // last one of this clock against the hub's
	doubt  bool                         // damage may have met the logs this device writes
	since  journal.Position             // where those logs begin
}

func newAuthorship() authorship {
	return authorship{own: map[pb.Lane]event.LogID{}, seen: map[event.LogID]exchange.Tip{}}
}

// lanes in the order in which logs are opened and listed.
var lanes = []pb.Lane{pb.Lane_LANE_ORDINARY, pb.Lane_LANE_URGENT}

// logs are those this device writes now.
func (a *authorship) logs() []event.LogID {
	a.mu.RLock()
	defer a.mu.RUnlock()
	var out []event.LogID
	for _, lane := range lanes {
		if id, ok := a.own[lane]; ok {
			out = append(out, id)
		}
	}
	return out
}

// met takes in the hybrid clock of records that turned up.
func (a *authorship) met(hlc int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.hlc = event.AdoptHLC(a.hlc, hlc)
}

func (a *authorship) setOffset(m measurement) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.offset = m
}

func (a *authorship) measured() measurement {
	a.mu.RLock()
	defer a.mu.RUnlock()
	return a.offset
}

// damaged notes damage that ends at a position: records of this device that lay
// there may be gone for good, so its logs are not written on.
func (a *authorship) damaged(to journal.Position) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.doubt = a.doubt || to.Compare(a.since) > 0
}

// hesitate leaves it to the next record to begin new logs first.
func (a *authorship) hesitate() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.doubt = true
}

// lend copies into a pending commit what it goes on from.
func (a *authorship) lend(p *pendingCommit) {
	a.mu.RLock()
	defer a.mu.RUnlock()
	p.own, p.seen = maps.Clone(a.own), maps.Clone(a.seen)
	p.hlc, p.hubUs, p.wallUs = a.hlc, a.hubUs, a.wallUs
	p.doubt = a.doubt && len(a.own) > 0
}

// publish takes over what a commit moved; its first record lies at first.
func (a *authorship) publish(p *pendingCommit, first journal.Position) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.own, a.seen, a.hlc, a.hubUs, a.wallUs = p.own, p.seen, p.hlc, p.hubUs, p.wallUs
	if p.beyond != "" {
		a.doubt = true
	}
	if p.renewed != "" {
		a.since, a.doubt = first, false
	}
}
