package store

import (
	"fmt"
	"slices"

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

// maxForeignLogs bounds the foreign logs: each is a little state in memory.
const maxForeignLogs = 256

// room says why the new records of a run are not taken; nil when they are.
func (p *pendingCommit) room(run *pb.Run, c *exchange.Checked, peer *exchange.DeviceID) *exchange.Refusal {
	quota := p.s.opt.StrangerBytes
	if quota == 0 || peer == nil || len(c.Accept) == 0 {
		return nil
	}
	log, device := c.Accept[0].Log, event.DeviceID(c.State.PublicKey)
	if p.rights.Knows(log, device) {
		return nil
	}
	size := int64(0)
	for _, r := range c.Accept {
		size += int64(r.Size())
	}
	held, logs := p.foreign()
	_, known := p.log(log)
	if p.s.writer.brought[*peer]+p.brought[*peer]+size <= quota/4 && held+size <= quota && (known || logs < maxForeignLogs) {
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

// foreign adds up what is held of foreign logs, this commit included.
func (p *pendingCommit) foreign() (bytes int64, logs int) {
	count := func(l *LogInfo) {
		if !p.rights.Knows(l.ID, l.Device()) {
			bytes += l.Bytes
			logs++
		}
	}
	for _, l := range p.logs {
		count(l)
	}
	p.s.logs.each(func(l *LogInfo) {
		if p.logs[l.ID] == nil {
			count(l)
		}
	})
	return bytes, logs
}

// tellFull says that there was no room, once for each laptop and log.
func (p *pendingCommit) tellFull() {
	if p.full != "" {
		p.s.report.add(p.full)
	}
}

// anyUnknown says that a run may belong to a stranger, by the rights as they are
// folded.
func (s *Store) anyUnknown(runs []*pb.Run) bool {
	rights := s.projection.Rights()
	return slices.ContainsFunc(runs, func(run *pb.Run) bool {
		id, _ := event.ToHash(run.GetLog())
		l, ok := s.logs.Log(id)
		return !ok || !rights.Knows(id, l.Device())
	})
}
