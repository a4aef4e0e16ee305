package replication

import (
	"context"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
)

// What the link tells people and the services.

var _ replica.LinkState = (*Link)(nil)

func (l *Link) say(state string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.state != state {
		l.log.Info("link to the clinic's server", "state", state)
	}
	l.state = state
}

// Server is the address of the clinic's server; empty when there is none.
func (l *Link) Server() string { return l.server }

// State is how the link stands, in words.
func (l *Link) State() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state
}

// Up says that a hello was answered and its link stands.
func (l *Link) Up() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.live
}

// Differences are what the last hello found beyond records to exchange.
func (l *Link) Differences() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Concat(l.differences, l.told)
}

// Quarantined names what was not taken or not sent because it did not verify.
func (l *Link) Quarantined() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.quarantined)
}

// LastHeard is when the server was last heard, also before this start; zero for never.
func (l *Link) LastHeard() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.heard
}

// HubEpoch is the epoch of the hub that was met last.
func (l *Link) HubEpoch() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.epoch
}

// Practice is the practice that this laptop belongs to.
func (l *Link) Practice() string {
	if l.replica.Joined != nil {
		return l.replica.Joined.Practice
	}
	id, err := l.replica.PracticeID(context.Background())
	if err != nil {
		l.log.Error("read the practice", "error", err)
	}
	return id
}

func (l *Link) ackedTips() []exchange.LogTip {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []exchange.LogTip
	for id, tip := range l.acked {
		out = append(out, exchange.LogTip{Log: id, Tip: tip})
	}
	slices.SortFunc(out, func(a, b exchange.LogTip) int { return a.Log.Compare(b.Log) })
	return out
}

// StateOf says how far a record of this laptop has come, by its own log or by the one
// in which it was saved again.
func (l *Link) StateOf(r *event.Record) exchange.Delivery {
	came := l.stateOf(r)
	if came == exchange.SavedHere {
		if by, err := l.store.CarrierOf(r.Hash); err == nil && by != nil {
			came = l.stateOf(by)
		}
	}
	return came
}

func (l *Link) stateOf(r *event.Record) exchange.Delivery {
	h, ok := l.store.HeldOne(r.Log)
	if !ok {
		return exchange.SavedHere
	}
	d := exchange.Deliveries{Acked: l.ackedTips(), Statements: exchange.StatementLog{Epoch: l.HubEpoch(), Tips: map[event.LogID]exchange.Tip{}}}
	if tip, ok := l.stated(r.Log); ok {
		d.Statements.Tips[r.Log] = tip
	}
	return exchange.StateOf(exchange.LogTip{Log: r.Log, Tip: exchange.Tip{Seq: r.Seq(), Hash: r.Hash}}, h, l.store.Holds, d)
}

// stated is the newest tip of a log in a statement of the server's present epoch.
func (l *Link) stated(log event.LogID) (tip exchange.Tip, ok bool) {
	err := l.store.View(context.Background(), func(v *store.Snapshot) error {
		s, known, err := store.Get[*ledger.Log](v, event.LogKey(log))
		if err == nil && known && s.Accepted != nil && string(s.Accepted.HubEpoch) == l.HubEpoch() {
			tip, ok = exchange.Tip{Seq: s.Accepted.Tip.Seq, Hash: s.Accepted.Tip.Hash}, true
		}
		return err
	})
	if err != nil {
		l.log.Error("read the server's statements", "error", err)
	}
	return tip, ok
}

// Reached counts the records of an own log that the server acknowledged, and
// those that a statement covers.
func (l *Link) Reached(log event.LogID) (sent, held int64) {
	for _, t := range l.ackedTips() {
		if t.Log == log {
			sent = int64(t.Seq) + 1
		}
	}
	if tip, ok := l.stated(log); ok {
		held = int64(tip.Seq) + 1
	}
	return sent, held
}
