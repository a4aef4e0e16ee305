package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// restore brings the tables in memory to where the journal ends: the projection
// first catches up, then says what it knows of every log. Nobody else is there yet.
func (s *Store) restore(ctx context.Context) error {
	lost, err := s.projection.Restore(ctx, s.journal, s.witness())
	if err != nil {
		return err
	}
	s.tellEnd(lost)
	if err := s.projection.EachLog(s.restoreLog); err != nil {
		return err
	}
	brought, err := s.bringBackCharter(ctx)
	if err != nil {
		return err
	}
	s.lostEnd = !lost.IsZero()
	if err := s.restoreOwn(); err != nil {
		return err
	}
	if err := s.restoreOffset(); err != nil {
		return err
	}
	return s.openOwnLogs(brought || !lost.IsZero())
}

func (s *Store) restoreLog(l LogInfo) {
	s.logs.restore(&l, l.Gaps || l.Bare || s.report.any())
	s.author.hlc = event.AdoptHLC(s.author.hlc, l.HLC)
	if !l.Key.Equal(s.public) {
		if s.byServer(s.projection.Rights(), &l) {
			s.author.hubUs = max(s.author.hubUs, l.HubUs)
		}
		return
	}
	s.adopt(&l)
}

// adopt takes up an own log to go on with, the newest epoch of its lane. Two of
// one epoch came apart after a loss: the one that is further on in time goes on.
func (s *Store) adopt(l *LogInfo) {
	old, ok := s.logs.Log(s.author.own[l.Lane])
	if !ok || cmp.Or(cmp.Compare(old.Epoch, l.Epoch), cmp.Compare(old.HLC, l.HLC)) < 0 {
		s.author.own[l.Lane] = l.ID
	}
}

// restoreOwn finds where this device's logs begin, and the time of its last record.
func (s *Store) restoreOwn() error {
	var last journal.Position
	for _, id := range event.SortedLogs(s.logs.logs) {
		l := s.logs.logs[id]
		if s.author.own[l.Lane] != id {
			continue
		}
		at, err := s.projection.TipPlace(id, l.Tip)
		if err != nil {
			return err
		}
		if at.Compare(last) >= 0 {
			last, s.author.wallUs = at, l.WallUs
		}
		first, err := s.projection.First(id)
		if err != nil {
			return err
		}
		if !first.IsZero() && (s.author.since.IsZero() || first.Compare(s.author.since) < 0) {
			s.author.since = first
		}
	}
	return s.restoreSeen(last)
}

// restoreSeen finds again what this device has not yet said that it holds: the
// tips that lie behind its own last record in the journal.
func (s *Store) restoreSeen(last journal.Position) error {
	for id, l := range s.logs.logs {
		if l.Key.Equal(s.public) {
			continue
		}
		at, err := s.projection.TipPlace(id, l.Tip)
		if err != nil {
			return err
		}
		if at.Compare(last) > 0 {
			s.author.seen[id] = l.Tip
		}
	}
	return nil
}

// openOwnLogs begins logs where there are none to go on with, and new epochs
// when records of this device may be gone: it must never use a number twice.
func (s *Store) openOwnLogs(lost bool) error {
	s.author.doubt = s.report.anyAfter(s.author.since)
	switch {
	case lost || s.author.doubt:
		err := s.NewEpoch(lostHere)
		if errors.Is(err, journal.ErrNoSpace) && len(s.author.own) > 0 {
			// What is here can be read all the same. The next record begins them first.
			s.author.doubt = true
			return nil
		}
		if err != nil || !lost {
			return err
		}
		return s.projection.MadeGood()
	case len(s.author.own) < len(lanes):
		return s.NewEpoch(firstStart)
	}
	return nil
}

// Reasons of new logs.
const (
	firstStart = "first start"
	lostHere   = "records were lost from this disk"
)

// NewEpoch closes this device's logs for good and begins new ones that name
// their predecessors. It needs nobody's leave.
func (s *Store) NewEpoch(reason string) error {
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	p := s.begin()
	if err := p.epoch(reason); err != nil {
		return err
	}
	if err := p.commit(); err != nil {
		return fmt.Errorf("begin new logs: %w", err)
	}
	return nil
}

// epoch opens new logs in both lanes.
func (p *pendingCommit) epoch(reason string) error {
	for _, lane := range lanes {
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
func (p *pendingCommit) open(lane pb.Lane, reason string) error {
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
