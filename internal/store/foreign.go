package store

import (
	"fmt"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// Records of another practice count for nothing here, but they are kept: they may
// belong to a laptop that is about to join, or that a server restored from an
// older copy has forgotten. So that no member can fill the disk with them, they
// have a bounded place: a number of bytes and of logs in all, and a quarter of the
// bytes for what one laptop brings in one run of the program. What finds no room
// is refused, kept aside by the caller as far as that goes, and said. The
// practice's own records are always taken, whatever lies in that place.

// maxStrangeLogs bounds the logs of strangers: each is a little state in memory.
const maxStrangeLogs = 256

// room says why the new records of a run are not taken; nil when they are.
func (p *plan) room(run *pb.Run, c *exchange.Checked, peer *exchange.DeviceID) *exchange.Refusal {
	quota := p.s.opt.StrangerBytes
	if quota == 0 || peer == nil || len(c.Accept) == 0 {
		return nil
	}
	log, device := c.Accept[0].Log, event.DeviceID(c.State.PublicKey)
	if p.knows.Knows(log, device) {
		return nil
	}
	size := int64(0)
	for _, r := range c.Accept {
		size += int64(r.Size())
	}
	held, logs := p.strange()
	_, known := p.log(log)
	if p.s.broughtBy(*peer)+p.brought[*peer]+size <= quota/4 && held+size <= quota && (known || logs < maxStrangeLogs) {
		if p.brought == nil {
			p.brought = map[exchange.DeviceID]int64{}
		}
		p.brought[*peer] += size
		return nil
	}
	p.full = fmt.Sprintf("records of strangers to this practice are not taken any more from laptop %s: log %s; %d bytes of such logs are kept. Ask whose laptop that is",
		peer.Short(), log.Short(), held)
	return &exchange.Refusal{Why: exchange.NoRoom, Log: log, From: run.GetFrom(), At: c.Accept[0].Seq()}
}

// strange adds up what is held of logs of strangers, this plan included.
func (p *plan) strange() (bytes int64, logs int) {
	count := func(l *LogInfo) {
		if !p.knows.Knows(l.ID, l.Device()) {
			bytes += l.Bytes
			logs++
		}
	}
	for _, l := range p.logs {
		count(l)
	}
	p.s.mu.RLock()
	defer p.s.mu.RUnlock()
	for id, l := range p.s.logs {
		if p.logs[id] == nil {
			count(&l.LogInfo)
		}
	}
	return bytes, logs
}

func (s *Store) broughtBy(peer exchange.DeviceID) int64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.brought[peer]
}

// tellFull says that there was no room, once for each laptop and log.
func (p *plan) tellFull() {
	if p.full == "" {
		return
	}
	p.s.mu.Lock()
	defer p.s.mu.Unlock()
	p.s.repaired("%s", p.full)
}

// anyUnknown says that a run may belong to a stranger, by the rights as they are
// folded.
func (s *Store) anyUnknown(runs []*pb.Run) bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	for _, run := range runs {
		id, _ := event.ToHash(run.GetLog())
		if l, ok := s.logs[id]; !ok || !s.knows.Knows(id, l.Device()) {
			return true
		}
	}
	return false
}
