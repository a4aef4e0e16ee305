package store

import (
	"crypto/ed25519"
	"fmt"
	"maps"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// pendingCommit is one commit in the making: the tables as they will be when it is saved.
// Nothing of it shows before the journal has it.
type pendingCommit struct {
	s      *Store
	logs   map[event.LogID]*LogInfo // changed logs only
	own    map[pb.Lane]event.LogID
	seen   map[event.LogID]exchange.Tip
	hlc    int64
	hubUs  int64
	rights *ledger.Rights // as folded now
	wallUs int64
	recs   []*event.Record
	frames [][]byte
	bytes  int // of frames

	doubt   bool                        // the own logs may have lost records: open new ones first
	renewed string                      // why new logs were opened; empty when they were not
	beyond  string                      // the server states more of an own log than was written here
	brought map[exchange.DeviceID]int64 // bytes of foreign logs in this commit
	full    string                      // that foreign records found no room
}

func (s *Store) begin() *pendingCommit {
	p := &pendingCommit{s: s, logs: map[event.LogID]*LogInfo{}, rights: s.projection.Rights()}
	s.author.lend(p)
	return p
}

// log is the state of a log inside the commit, ready to be changed.
func (p *pendingCommit) log(id event.LogID) (*LogInfo, bool) {
	if l, ok := p.logs[id]; ok {
		return l, true
	}
	l, ok := p.s.logs.Log(id)
	if !ok {
		return nil, false
	}
	p.logs[id] = &l
	return &l, true
}

// add turns a wish into records, or fails it alone and leaves nothing of it.
func (p *pendingCommit) add(w *write) {
	if len(w.runs) > 0 {
		w.results, w.err = p.ingest(w)
	}
	if len(w.drafts) == 0 {
		return
	}
	before := p.clone()
	if w.records, w.err = p.authorAll(w.drafts); w.err != nil {
		*p, w.records = *before, nil
	}
}

// clone copies what authoring changes.
func (p *pendingCommit) clone() *pendingCommit {
	c := *p
	c.own, c.seen = maps.Clone(p.own), maps.Clone(p.seen)
	c.logs = make(map[event.LogID]*LogInfo, len(p.logs))
	for id, l := range p.logs {
		c.logs[id] = l.Clone()
	}
	return &c
}

// authorAll makes the records of one call.
func (p *pendingCommit) authorAll(drafts []Draft) ([]*event.Record, error) {
	out := make([]*event.Record, 0, len(drafts))
	for _, d := range drafts {
		payload, err := marshal(d.Payload)
		if err != nil {
			return nil, err
		}
		r, err := p.author(d, payload)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// laneOf is the lane into which a draft goes: by its event type, or by that of the
// record that it saves again.
func laneOf(d Draft) pb.Lane {
	t := d.Type
	if p, ok := d.Payload.(*pb.SavedAgain); ok {
		if r, err := event.Decode(p.Record); err == nil {
			t = r.Head.Type
		}
	}
	if s, ok := event.Lookup(t); ok && s.Rule.GetUrgent() {
		return pb.Lane_LANE_URGENT
	}
	return pb.Lane_LANE_ORDINARY
}

// author makes the next record of this device's own log.
func (p *pendingCommit) author(d Draft, payload []byte) (*event.Record, error) {
	if p.doubt {
		p.doubt = false
		if err := p.epoch(lostHere); err != nil {
			return nil, err
		}
	}
	l, ok := p.log(p.own[laneOf(d)])
	if !ok {
		return nil, fmt.Errorf("this device has no open log for the lane of type %d", d.Type)
	}
	head := p.header(d)
	head.Log, head.Seq, head.Prev = l.ID[:], l.Tip.Seq+1, l.Tip.Hash[:]
	return p.seal(head, payload)
}

// header fills in what every record of this device says at this moment.
func (p *pendingCommit) header(d Draft) *pb.Header {
	s := p.s
	now := s.opt.Clock.Now()
	wall := now.UnixMicro()
	h := &pb.Header{
		HlcUs: event.NextHLC(wall, p.hlc), WallUs: wall, Device: s.device, Boot: s.boot,
		MonotonicUs: s.opt.Clock.Monotonic().Microseconds(), Offset: s.ClockOffset(), HubUs: p.hubUs,
		Seen: p.takeSeen(), Type: d.Type, References: d.References, Grant: d.Grant, RequestId: d.RequestID,
		ProgramVersion: s.opt.Version, EngineVersion: d.Engine, OccurredAt: d.OccurredAt,
		Author: d.Author, AuthorProof: d.Proof, Overrides: d.Overrides,
	}
	if h.OccurredAt == nil {
		h.OccurredAt = &pb.Moment{UnixMs: now.UnixMilli(), Precision: pb.Precision_PRECISION_SECOND, Source: pb.TimeSource_TIME_SOURCE_NOW}
	}
	named := map[event.Key]bool{}
	for _, k := range append(event.KeysOf(d.Type, d.Payload, time.UnixMilli(h.OccurredAt.UnixMs)), d.Keys...) {
		if !named[k] {
			h.Entities = append(h.Entities, &pb.EntityKey{Kind: k.Kind, Id: k.ID})
		}
		named[k] = true
	}
	p.wallUs = wall
	return h
}

// maxSeen bounds the tips named in one header; the rest go into the next one.
const maxSeen = 256

func (p *pendingCommit) takeSeen() []*pb.Tip {
	var out []*pb.Tip
	for _, id := range event.SortedLogs(p.seen) {
		if len(out) == maxSeen {
			break
		}
		out = append(out, exchange.LogTip{Log: id, Tip: p.seen[id]}.PB())
		delete(p.seen, id)
	}
	return out
}

func (p *pendingCommit) seal(head *pb.Header, payload []byte) (*event.Record, error) {
	r, err := event.Seal(head, payload, func(m []byte) []byte { return ed25519.Sign(p.s.opt.Device, m) })
	if err != nil {
		return nil, err
	}
	l, ok := p.log(r.Log)
	if !ok {
		if l, ok = projection.OpenedLog(r); !ok {
			return nil, fmt.Errorf("record of a log that was not opened: %s", r.Log.Short())
		}
		p.logs[r.Log] = l
	}
	if err := p.take(l, r); err != nil {
		return nil, err
	}
	return r, nil
}

// take adds a record to the commit and moves its log.
func (p *pendingCommit) take(l *LogInfo, r *event.Record) error {
	err := l.Advance(r, func(seq uint64) ([]exchange.Point, error) { return p.at(r.Log, seq) })
	if err != nil {
		return err
	}
	wire := r.Wire()
	p.recs = append(p.recs, r)
	p.frames = append(p.frames, wire)
	p.bytes += len(wire)
	p.hlc = event.AdoptHLC(p.hlc, r.Head.HlcUs)
	return nil
}

// commit saves the records and publishes what they moved.
func (p *pendingCommit) commit() error {
	p.tellFull()
	if len(p.frames) == 0 {
		return nil
	}
	positions, err := p.s.truth.Commit(p.frames)
	p.s.unwritten.Store(&err)
	if err != nil {
		return err
	}
	p.s.putReach(positions[len(positions)-1], p.recs[len(p.recs)-1].Hash)
	p.publish(positions)
	return nil
}

// publish shows what is on the disk now. The projection knows of a record before
// the table of logs does, so that what a log is said to hold can be read; waiting
// callers are woken when all is in place.
func (p *pendingCommit) publish(positions []journal.Position) {
	s := p.s
	s.projection.Add(p.recs, positions, s.truth.End())
	s.logs.publish(p.logs)
	s.author.publish(p, positions[0])
	for peer, n := range p.brought {
		s.writer.brought[peer] += n
	}
	for _, r := range p.recs {
		if r.Rights() {
			s.rightsMoves.Add(1)
		}
	}
	if p.beyond != "" {
		s.report.add(p.beyond)
	}
	if p.renewed != "" {
		s.report.add("this machine goes on in new logs: " + p.renewed)
	}
	s.signals.save()
}
