package replication

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Statements makes the hub's signed statements of what it accepted, and of what it wrote
// itself: so every record of the practice can be proven.
type Statements struct {
	replica *replica.Replica
	epoch   string
	log     exchange.StatementLog // of this epoch, so far
	own     exchange.LogTip       // as far as this log is stated, or holds statements alone
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
	s.own = s.statedBefore(ctx)
	return s, err
}

// statedBefore is the end of the own log when it was stated to there before this start: it
// ends in a statement, which names what stands before it or follows on another one. In
// one run every record that came in between is named by the next. It is zero when that
// cannot be read: then the log is named once more.
func (s *Statements) statedBefore(ctx context.Context) exchange.LogTip {
	own := s.ordinary()
	l, ok := s.replica.Store.Log(own)
	if !ok || l.Tip.Seq == 0 {
		return exchange.LogTip{}
	}
	run, _, err := s.replica.Store.ReadRun(ctx, own, l.Tip.Seq-1, exchange.MaxBatchBytes)
	if err != nil || run == nil {
		return exchange.LogTip{}
	}
	follows := false
	for _, wire := range run.Records {
		rec, err := event.Decode(wire)
		if err != nil {
			return exchange.LogTip{}
		}
		if rec.Head.Type != event.TypeHubStatement {
			follows = false
			continue
		}
		if rec.Seq() == l.Tip.Seq && (follows || names(rec, own, rec.Seq()-1)) {
			return exchange.LogTip{Log: own, Tip: l.Tip}
		}
		follows = true
	}
	return exchange.LogTip{}
}

// names says that a statement names a log at a place.
func names(rec *event.Record, log event.LogID, seq uint64) bool {
	payload, err := rec.Payload()
	m, ok := payload.(*pb.HubStatement)
	if err != nil || !ok {
		return false
	}
	return slices.ContainsFunc(m.Accepted, func(a *pb.AcceptedTip) bool {
		return bytes.Equal(a.GetTip().GetLog(), log[:]) && a.GetTip().GetSeq() == seq
	})
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

// State makes one statement when something moved since the last. The log in which the
// statements stand is named when it holds anything else than them: a statement of a
// statement would call for the next one.
func (s *Statements) State(ctx context.Context) error {
	st := s.replica.Store
	own := s.ordinary()
	held := slices.DeleteFunc(st.Held(), func(l exchange.HeldLog) bool {
		return l.Log == own && len(l.Tips) > 0 && l.Log == s.own.Log && l.Tip().Seq <= s.own.Seq
	})
	next, moved := s.log.Next(s.epoch, s.replica.Clock.Now().UnixMicro(), held, func(id event.LogID) int64 {
		l, _ := st.Log(id)
		return l.WallUs
	})
	if !moved {
		return nil
	}
	made, err := st.Append(ctx, store.Draft{Type: event.TypeHubStatement, Payload: next.PB()})
	if err != nil {
		return err
	}
	s.stated(own, next, made[0])
	for _, f := range s.log.Add(next) {
		s.replica.Log.Warn("hub statement", "fault", f.Fault.String(), "log", f.Log.Short())
	}
	return nil
}

// ordinary is the log in which the statements stand.
func (s *Statements) ordinary() event.LogID {
	for _, id := range s.replica.Store.OwnLogs() {
		if l, ok := s.replica.Store.Log(id); ok && l.Lane == pb.Lane_LANE_ORDINARY {
			return id
		}
	}
	return event.LogID{}
}

// stated notes how far the own log is stated: up to the statement itself when nothing came
// between what it names and it.
func (s *Statements) stated(own event.LogID, made exchange.Statement, rec *event.Record) {
	for _, a := range made.Accepted {
		if a.Log == own {
			s.own = a.LogTip
		}
	}
	if rec.Log == s.own.Log && rec.Seq() == s.own.Seq+1 {
		s.own.Tip = exchange.Tip{Seq: rec.Seq(), Hash: rec.Hash}
	}
}
