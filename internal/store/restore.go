package store

import (
	"context"
	"errors"
	"fmt"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// restore brings the tables in memory to where the journal ends: first from the
// index, then from the records past its cursor. The cursor is a witness: when it
// lies past the journal's end, records that were saved are gone.
func (s *Store) restore(ctx context.Context) error {
	unclean := s.cursor.unclean
	lost, err := s.readIndex()
	if err != nil {
		return err
	}
	if unclean {
		s.cursor.pos = s.cursor.wellBehind()
	}
	if err := s.catchUpFrom(ctx); err != nil {
		return err
	}
	if err := s.readTables(); err != nil {
		return err
	}
	return s.openOwnLogs(lost)
}

// readIndex reads cursor and rights. lost says that the journal ends before the
// place up to which it had been applied, or that part of it cannot be read.
func (s *Store) readIndex() (lost bool, err error) {
	fold := true
	err = s.index.View(func(r index.Reader) error {
		value, ok, err := r.Get(cursorKey)
		if err != nil || !ok {
			return err
		}
		s.cursor, fold, err = decodeCursor(value)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("read the index: %w", err)
	}
	if s.cursor.pos.Compare(s.journal.End()) > 0 {
		s.repaired("the journal ends at %s but had been applied up to %s: records that were saved are gone from this disk; other replicas can refill them", s.journal.End(), s.cursor.pos)
		lost, s.damaged = true, true
	}
	if lost || !fold {
		return lost, s.emptyIndex()
	}
	return s.damaged, s.readRights()
}

// emptyIndex throws away all that is derived, to be built again.
func (s *Store) emptyIndex() error {
	s.cursor = cursor{}
	for {
		var keys [][]byte
		err := s.index.Update(func(w index.Writer) error {
			err := w.Scan(nil, nil, false, func(k, _ []byte) (bool, error) {
				keys = append(keys, append([]byte(nil), k...))
				return len(keys) < 1000, nil
			})
			for _, k := range keys {
				err = errors.Join(err, w.Delete(k))
			}
			return err
		})
		if err != nil || len(keys) == 0 {
			return err
		}
	}
}

func (s *Store) readRights() error {
	s.rights = ledger.FoldRights(nil)
	return s.index.View(func(r index.Reader) error {
		value, ok, err := r.Get(stateKey(event.RightsKey))
		if err != nil || !ok {
			return err
		}
		state, err := ledger.Decode(event.KindRights, value)
		if err != nil {
			return err
		}
		s.rights = state.(*ledger.Rights)
		return nil
	})
}

// catchUpFrom applies everything past the cursor.
func (s *Store) catchUpFrom(ctx context.Context) error {
	s.applier.Lock()
	defer s.applier.Unlock()
	if s.rights == nil {
		s.rights = ledger.FoldRights(nil)
	}
	if s.cursor.pos.Compare(s.journal.End()) < 0 {
		for {
			if err := ctx.Err(); err != nil {
				return err
			}
			n, err := s.applySome()
			if err != nil {
				return fmt.Errorf("apply the journal: %w", err)
			}
			if n == 0 {
				break
			}
		}
	}
	s.freshGap = false
	return s.refoldAll(ctx)
}

// readTables reads the log rows into memory.
func (s *Store) readTables() error {
	return s.index.View(func(r index.Reader) error {
		return r.Scan([]byte("l/"), nil, false, func(k, v []byte) (bool, error) {
			id, ok := event.ToHash(k[2:])
			if !ok {
				return true, nil
			}
			l, err := decodeLog(id, v)
			if err != nil {
				return false, err
			}
			s.logs[id] = &logState{LogInfo: l}
			s.hlc = max(s.hlc, l.HLC)
			if s.ownKey(id) {
				s.wallUs = max(s.wallUs, l.WallUs)
				s.adopt(&l)
			}
			return true, nil
		})
	})
}

// adopt takes up an own log to go on with, the newest epoch of its lane.
func (s *Store) adopt(l *LogInfo) {
	if old, ok := s.logs[s.own[l.Lane]]; !ok || old.Epoch < l.Epoch {
		s.own[l.Lane] = l.ID
	}
}

// ownKey says that this device writes the log.
func (s *Store) ownKey(id event.LogID) bool {
	l, ok := s.logs[id]
	return ok && l.Key.Equal(s.public)
}

// openOwnLogs begins logs where there are none to go on with, and new epochs
// when records of this device may be gone: it must never use a number twice.
func (s *Store) openOwnLogs(lost bool) error {
	reason := "first start"
	if lost {
		reason = "records were lost from this disk"
	}
	if !lost && len(s.own) == 2 {
		return nil
	}
	return s.NewEpoch(reason)
}

// NewEpoch closes this device's logs for good and begins new ones that name
// their predecessors. It needs nobody's leave.
func (s *Store) NewEpoch(reason string) error {
	s.writer.Lock()
	defer s.writer.Unlock()
	p := s.plan()
	for _, lane := range []pb.Lane{pb.Lane_LANE_ORDINARY, pb.Lane_LANE_URGENT} {
		if err := p.open(lane, reason); err != nil {
			return err
		}
	}
	if err := p.commit(); err != nil {
		return fmt.Errorf("begin new logs: %w", err)
	}
	if reason != "first start" {
		s.mu.Lock()
		s.repaired("this laptop goes on in new logs: %s", reason)
		s.mu.Unlock()
	}
	return nil
}

// open makes the opening record of a new log of this device.
func (p *plan) open(lane pb.Lane, reason string) error {
	o := &pb.LogOpened{PublicKey: p.s.public, Lane: lane, Reason: reason, DeviceName: p.s.opt.DeviceName, Nonce: make([]byte, 16)}
	if _, err := p.s.opt.Random.Read(o.Nonce); err != nil {
		return fmt.Errorf("no randomness: %w", err)
	}
	if old, ok := p.log(p.own[lane]); ok {
		o.Epoch = old.Epoch + 1
		o.Predecessors = append(o.Predecessors, exchange.LogTip{Log: old.ID, Tip: old.Tip}.PB())
	}
	head := p.header(Draft{Type: event.TypeLogOpened, Payload: o})
	payload, err := marshal(o)
	if err != nil {
		return err
	}
	r, err := p.seal(head, payload, true)
	if err != nil {
		return err
	}
	p.own[lane] = r.Log
	return nil
}

// position is the journal's end, for tests and the bench.
func (s *Store) position() journal.Position { return s.journal.End() }
