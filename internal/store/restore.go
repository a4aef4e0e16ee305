package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

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
	lost, err := s.readIndex()
	if err != nil {
		return err
	}
	if s.unclean {
		if err := s.rewind(); err != nil {
			return err
		}
	}
	if err := s.catchUpFrom(ctx); err != nil {
		return err
	}
	if err := s.readTables(); err != nil {
		return err
	}
	return s.openOwnLogs(lost)
}

// readIndex reads cursor and rights. lost says that the journal is not the one
// that had been applied: it ends earlier, or went on in another way since.
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
	if lost = s.cursor.pos.Compare(s.journal.End()) > 0 || !s.testifies(s.cursor.last); lost {
		s.repaired("the journal ends at %s and is not the one that had been applied up to %s: records that were saved are gone from this disk; other replicas can refill them", s.journal.End(), s.cursor.pos)
	}
	healed := slices.ContainsFunc(s.cursor.passed, s.readable)
	joined, err := s.joinedAnother()
	if err != nil {
		return false, err
	}
	if lost || healed || !fold || joined {
		return lost, errors.Join(s.emptyIndex(), s.SetLocal(foundingName, s.opt.Founding[:]))
	}
	return false, s.readRights()
}

// testifies says that the journal still holds the record where it lay when it was
// applied. A damaged record and one that was never written there look alike.
func (s *Store) testifies(w witness) bool {
	if w.hash.IsZero() {
		return true
	}
	frame, _, err := s.journal.ReadAt(w.pos, nil)
	if err != nil {
		return false
	}
	r, err := event.Decode(frame)
	return err == nil && r.Hash == w.hash
}

// readable says that a record can be read now where there was damage.
func (s *Store) readable(at passed) bool {
	p, err := journal.DecodePosition(at)
	if err != nil {
		return false
	}
	frame, _, err := s.journal.ReadAt(p, nil)
	if err != nil {
		return false
	}
	_, err = event.Decode(frame)
	return err == nil
}

// foundingName is the local fact under which practice the index was folded.
const foundingName = "founding"

// joinedAnother says that the index was folded under another practice than the
// one that this replica belongs to now.
func (s *Store) joinedAnother() (bool, error) {
	was, err := s.Local(foundingName)
	if err != nil {
		return false, fmt.Errorf("read the index: %w", err)
	}
	if was == nil {
		was = make([]byte, len(s.opt.Founding))
	}
	return !bytes.Equal(was, s.opt.Founding[:]), nil
}

// rewind moves the cursor well back after an unclean stop, and notes that
// entities are to be folded again when that was going on.
func (s *Store) rewind() error {
	again := s.cursor.refolding(s.opt.behind)
	s.cursor = s.cursor.rewound(s.opt.behind)
	if !again {
		return nil
	}
	return s.index.Update(func(w index.Writer) error { return w.Set(refoldKey, []byte{refoldEvery}) })
}

// emptyIndex throws away all that is derived, to be built again. Local facts stay.
func (s *Store) emptyIndex() error {
	s.cursor = cursor{}
	for {
		var keys [][]byte
		err := s.index.Update(func(w index.Writer) error {
			err := w.Scan(nil, nil, false, func(k, _ []byte) (bool, error) {
				if !bytes.HasPrefix(k, localKey("")) {
					keys = append(keys, append([]byte(nil), k...))
				}
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
		s.entitle(state.(*ledger.Rights))
		return nil
	})
}

// catchUpFrom applies everything past the cursor.
func (s *Store) catchUpFrom(ctx context.Context) error {
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
		err := r.Scan([]byte("l/"), nil, false, func(k, v []byte) (bool, error) {
			id, ok := event.ToHash(k[2:])
			if !ok {
				return true, nil
			}
			l, err := decodeLog(id, v)
			if err != nil {
				return false, err
			}
			s.restoreLog(l)
			return true, nil
		})
		if err != nil {
			return err
		}
		return s.restoreSeen(r)
	})
}

func (s *Store) restoreLog(l LogInfo) {
	s.logs[l.ID] = &logState{LogInfo: l}
	s.suspect[l.ID] = l.Gaps || len(s.holes) > 0
	s.hlc = event.AdoptHLC(s.hlc, l.HLC)
	if !l.Key.Equal(s.public) {
		if s.byServer(s.servers, &l) {
			s.hubUs = max(s.hubUs, l.HubUs)
		}
		return
	}
	s.adopt(&l)
}

// adopt takes up an own log to go on with, the newest epoch of its lane. Two of
// one epoch came apart after a loss: the one that is further on in time goes on.
func (s *Store) adopt(l *LogInfo) {
	old, ok := s.logs[s.own[l.Lane]]
	if !ok || cmp.Or(cmp.Compare(old.Epoch, l.Epoch), cmp.Compare(old.HLC, l.HLC)) < 0 {
		s.own[l.Lane] = l.ID
	}
}

// restoreSeen finds again what this device has not yet said that it holds: the
// tips that lie behind its own last record in the journal.
func (s *Store) restoreSeen(r index.Reader) error {
	at := func(l *logState) (journal.Position, error) {
		spots, err := positionsAt(r, l.ID, l.Tip.Seq)
		for _, p := range spots {
			if p.hash4 == [4]byte(l.Tip.Hash[:4]) {
				return p.pos, err
			}
		}
		return journal.Position{}, err
	}
	var last, since journal.Position
	for _, id := range sortedLogs(s.logs) {
		l := s.logs[id]
		if s.own[l.Lane] != id {
			continue
		}
		p, err := at(l)
		if err != nil {
			return err
		}
		if p.Compare(last) >= 0 {
			last, s.wallUs = p, l.WallUs
		}
		first, err := positionsAt(r, id, 0)
		if err != nil {
			return err
		}
		if len(first) > 0 && (since == journal.Position{} || first[0].pos.Compare(since) < 0) {
			since = first[0].pos
		}
	}
	s.since = since
	for id, l := range s.logs {
		if l.Key.Equal(s.public) {
			continue
		}
		p, err := at(l)
		if err != nil {
			return err
		}
		if p.Compare(last) > 0 {
			s.seen[id] = l.Tip
		}
	}
	return nil
}

// openOwnLogs begins logs where there are none to go on with, and new epochs
// when records of this device may be gone: it must never use a number twice.
func (s *Store) openOwnLogs(lost bool) error {
	s.doubt = slices.ContainsFunc(s.holes, func(h journal.Range) bool { return h.To.Compare(s.since) > 0 })
	if lost || s.doubt {
		return s.NewEpoch(lostHere)
	}
	if len(s.own) == 2 {
		return nil
	}
	return s.NewEpoch(firstStart)
}

// Reasons of new logs.
const (
	firstStart = "first start"
	lostHere   = "records were lost from this disk"
)

// NewEpoch closes this device's logs for good and begins new ones that name
// their predecessors. It needs nobody's leave.
func (s *Store) NewEpoch(reason string) error {
	s.writer.Lock()
	defer s.writer.Unlock()
	p := s.plan()
	if err := p.epoch(reason); err != nil {
		return err
	}
	if err := p.commit(); err != nil {
		return fmt.Errorf("begin new logs: %w", err)
	}
	return nil
}

// epoch opens new logs in both lanes.
func (p *plan) epoch(reason string) error {
	for _, lane := range []pb.Lane{pb.Lane_LANE_ORDINARY, pb.Lane_LANE_URGENT} {
		if err := p.open(lane, reason); err != nil {
			return err
		}
	}
	if reason != firstStart {
		p.renewed = reason
	}
	return nil
}

// open makes the opening record of a new log of this device.
func (p *plan) open(lane pb.Lane, reason string) error {
	o := &pb.LogOpened{PublicKey: p.s.public, Lane: lane, Reason: reason, DeviceName: p.s.opt.DeviceName, Nonce: make([]byte, 16)}
	if _, err := io.ReadFull(p.s.opt.Random, o.Nonce); err != nil {
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
	r, err := p.seal(head, payload)
	if err != nil {
		return err
	}
	p.own[lane] = r.Log
	return nil
}
