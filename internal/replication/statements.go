package replication

import (
	"context"
	"fmt"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
)

// Statements makes the hub's signed statements of what it accepted.
type Statements struct {
	replica *replica.Replica
	epoch   string
	log     exchange.StatementLog // of this epoch, so far
}

// NewStatements adds up the statements of a hub epoch from the folded logs.
func NewStatements(ctx context.Context, r *replica.Replica, epoch string) (*Statements, error) {
	s := &Statements{replica: r, epoch: epoch, log: exchange.StatementLog{Epoch: epoch, Tips: map[event.LogID]exchange.Tip{}}}
	err := r.Store.View(ctx, func(v *store.Snapshot) error {
		return v.Each(event.KindLog, func(state ledger.State) (bool, error) {
			if a := state.(*ledger.Log).Accepted; a != nil && string(a.HubEpoch) == epoch {
				s.log.Tips[a.Tip.Log] = exchange.Tip{Seq: a.Tip.Seq, Hash: a.Tip.Hash}
				s.log.Number = max(s.log.Number, a.Number)
				s.log.WallUs = max(s.log.WallUs, a.HubMs*1000)
			}
			return true, nil
		})
	})
	return s, err
}

// Run makes a statement whenever records came in, at most one in every interval,
// until ctx ends. After an error, as of a full disk, it may be run again.
func (s *Statements) Run(ctx context.Context, every time.Duration) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := s.State(ctx); err != nil {
			return fmt.Errorf("hub statement: %w", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// State makes one statement when something moved since the last. The hub's own
// logs are left out: a statement would call for the next one.
func (s *Statements) State(ctx context.Context) error {
	st := s.replica.Store
	own := st.OwnLogs()
	held := slices.DeleteFunc(st.Held(), func(l exchange.HeldLog) bool { return slices.Contains(own, l.Log) })
	next, moved := s.log.Next(s.epoch, s.replica.Clock.Now().UnixMicro(), held, func(id event.LogID) int64 {
		l, _ := st.Log(id)
		return l.WallUs
	})
	if !moved {
		return nil
	}
	if _, err := st.Append(ctx, store.Draft{Type: event.TypeHubStatement, Payload: next.PB()}); err != nil {
		return err
	}
	for _, f := range s.log.Add(next) {
		s.replica.Log.Warn("hub statement", "fault", f.Fault.String(), "log", f.Log.Short())
	}
	return nil
}
