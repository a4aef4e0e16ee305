package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// restore brings the tables in memory to where the journal ends: the projection
// first catches up, then says what it knows of every log. Nobody else is there yet.
func (s *Store) restore(ctx context.Context) error {
	lost, err := s.projection.Restore(ctx, s.truth, s.witness())
	if err != nil {
		return err
	}
	s.tellEnd(lost)
	if err := s.projection.EachLog(s.restoreLog); err != nil {
		return err
	}
	apart := s.adoptOwn()
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
	return s.openOwnLogs(apart, brought || !lost.IsZero())
}

func (s *Store) restoreLog(l LogInfo) {
	s.logs.restore(&l, l.Gaps || l.Bare || s.report.any())
	s.author.hlc = event.AdoptHLC(s.author.hlc, l.HLC)
	if !l.Key.Equal(s.public) && s.byServer(s.projection.Rights(), &l) {
		s.author.hubUs = max(s.author.hubUs, l.HubUs)
	}
}

// adoptOwn takes up the logs that this device writes now. apart says that those it has
// came apart: after a loss it began new ones, and one that was lost came back. On which
// of them it wrote since, nobody can tell from them, and a number must never be used
// twice: it writes on in none.
func (s *Store) adoptOwn() (apart bool) {
	ends := s.begin().ownEnds()
	for _, lane := range lanes {
		if len(ends[lane]) > 0 {
			s.author.own[lane] = ends[lane][0].ID
		}
		apart = apart || len(ends[lane]) > 1
	}
	return apart
}

// ownEnds are the logs of this device from which none of its others goes on, by lane,
// the newest first.
func (p *pendingCommit) ownEnds() map[pb.Lane][]*LogInfo {
	own, left := p.ownLogs(), map[event.LogID]bool{}
	for _, l := range own {
		for _, id := range l.Before {
			left[id] = true
		}
	}
	ends := map[pb.Lane][]*LogInfo{}
	for _, l := range own {
		if !left[l.ID] {
			ends[l.Lane] = append(ends[l.Lane], l)
		}
	}
	for _, lane := range lanes {
		slices.SortFunc(ends[lane], func(a, b *LogInfo) int {
			return cmp.Or(cmp.Compare(b.Epoch, a.Epoch), cmp.Compare(b.HLC, a.HLC), a.ID.Compare(b.ID))
		})
	}
	return ends
}

// ownLogs are the logs that this device opened, as they are inside the commit.
func (p *pendingCommit) ownLogs() (own []*LogInfo) {
	logs := maps.Clone(p.logs)
	p.s.logs.each(func(l *LogInfo) {
		if logs[l.ID] == nil && l.Key.Equal(p.s.public) {
			logs[l.ID] = l.Clone()
		}
	})
	for _, id := range event.SortedLogs(logs) {
		if l := logs[id]; l.Key.Equal(p.s.public) {
			own = append(own, l)
		}
	}
	return own
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
func (s *Store) openOwnLogs(apart, lost bool) error {
	s.author.doubt = s.report.anyAfter(s.author.since)
	switch {
	case lost || s.author.doubt:
		if err := s.renew(lostHere); err != nil || !lost || s.author.doubt {
			return err
		}
		return s.projection.MadeGood()
	case apart:
		return s.renew(cameBack)
	case len(s.author.own) < len(lanes):
		return s.NewEpoch(firstStart)
	}
	return nil
}

// renew begins new logs, or leaves it to the next record when there is no room: what is
// here can be read all the same.
func (s *Store) renew(reason string) error {
	err := s.NewEpoch(reason)
	if errors.Is(err, journal.ErrNoSpace) && len(s.OwnLogs()) > 0 {
		s.author.hesitate()
		return nil
	}
	return err
}

// Reasons of new logs.
const (
	firstStart = "first start"
	lostHere   = "records were lost from this disk"
	cameBack   = "one that this disk had lost came back"
)

// NewEpoch closes this device's logs for good and begins new ones that name those
// from which they go on. It needs nobody's leave.
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
	for _, end := range p.ownEnds()[lane] {
		o.Epoch = max(o.Epoch, end.Epoch+1)
		if len(o.Predecessors) < projection.MaxBefore {
			o.Predecessors = append(o.Predecessors, exchange.LogTip{Log: end.ID, Tip: end.Tip}.PB())
		}
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
