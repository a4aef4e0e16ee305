package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// A log is taken record by record: whoever lacks one takes none behind it. When
// damage takes a record of an own log that was nowhere else, all that this device
// wrote after it is stranded. It is saved again, carried by records of a new log
// (package event, again.go), and what is lost is said in a record. What was carried
// is told from the journal, so a start after a stop in the middle carries the rest.

// savedAgain is what is known of stranded records.
type savedAgain struct {
	mu sync.Mutex // held by the one that saves again, through its commits

	known sync.Mutex // guards the fields below; held only to look or to publish
	left  map[event.LogID]stranding
	runs  uint64 // counts the rescues that began or ended
}

func newSavedAgain() savedAgain { return savedAgain{left: map[event.LogID]stranding{}} }

// look is what is known of a log, and the count of rescues by then.
func (a *savedAgain) look(log event.LogID) (st stranding, runs uint64, ok bool) {
	a.known.Lock()
	defer a.known.Unlock()
	st, ok = a.left[log]
	return st, a.runs, ok
}

// put notes what was found of a log, unless a rescue came in between.
func (a *savedAgain) put(log event.LogID, st stranding, runs uint64) {
	a.known.Lock()
	defer a.known.Unlock()
	if a.runs == runs {
		a.left[log] = st
	}
}

// ran notes the beginning or the end of a rescue, with what is left.
func (a *savedAgain) ran(log event.LogID, st *stranding) {
	a.known.Lock()
	defer a.known.Unlock()
	a.runs++
	if st != nil {
		a.left[log] = *st
	}
}

// stranding is what stood in a log when it was looked at.
type stranding struct {
	stamp  uint64
	from   uint64 // lowest place that cannot be handed on
	behind int64  // records behind it that no other log carries
	done   bool   // what is lost was said
}

// hole is what an own log cannot hand on, because what comes before is gone.
type hole struct {
	log    event.LogID
	stamp  uint64
	from   uint64
	lost   []lostRun
	behind []projection.Place // readable, from there on
}

// lostRun are places of a log at which nothing can be read.
type lostRun struct {
	exchange.SeqRange
	last []byte // hash of the record at To, as the one behind names it
}

// Elsewhere says that somebody who can be asked holds the record at a place of a
// log, so that it comes back by itself.
type Elsewhere func(log event.LogID, seq uint64) bool

// saveAtOnce is how many records are carried in one commit.
const saveAtOnce = 32

// SaveAgain carries what is stranded in own logs into the present ones, except where
// what is missing can still be had. It says how many records it carried. Called
// again, or after a stop at any moment, it carries none twice.
func (s *Store) SaveAgain(ctx context.Context, elsewhere Elsewhere) (carried int, err error) {
	s.again.mu.Lock()
	defer s.again.mu.Unlock()
	gappy, err := s.ownWithGaps()
	if err != nil {
		return 0, err
	}
	for _, l := range gappy {
		if s.settled(l.ID) {
			continue
		}
		if err := s.CatchUp(ctx); err != nil {
			return carried, err
		}
		h, err := s.holeIn(&l)
		if err != nil {
			return carried, err
		}
		if h == nil || elsewhere(h.log, h.from) {
			continue
		}
		n, err := s.rescue(ctx, h)
		if carried += n; err != nil {
			return carried, err
		}
	}
	return carried, nil
}

// ownWithGaps lists the logs of this device of which something cannot be read.
func (s *Store) ownWithGaps() ([]LogInfo, error) {
	own, err := s.ownLogs()
	return slices.DeleteFunc(own, func(l LogInfo) bool { return s.gapsOf(l.ID) == nil }), err
}

// ownLogs lists all logs that this device writes or has written, by log id.
func (s *Store) ownLogs() (out []LogInfo, err error) {
	s.logs.each(func(l *LogInfo) {
		if l.Key == nil || l.Key.Equal(s.public) {
			out = append(out, *l.Clone())
		}
	})
	slices.SortFunc(out, func(a, b LogInfo) int { return a.ID.Compare(b.ID) })
	out = slices.DeleteFunc(out, func(l LogInfo) bool {
		wrote, unread := s.wrote(&l)
		err = cmp.Or(err, unread)
		return !wrote
	})
	return out, err
}

// wrote says that this device writes the log, or has written it. One whose opening
// is gone is told by its newest record.
func (s *Store) wrote(l *LogInfo) (bool, error) {
	if l.Key != nil {
		return l.Key.Equal(s.public), nil
	}
	recs, err := s.projection.RecordsAt(l.ID, l.Tip.Seq)
	return len(recs) > 0 && bytes.Equal(recs[0].Head.Device, s.device), err
}

// settled says that nothing of a log is left to be carried, and nothing has changed
// in it since.
func (s *Store) settled(log event.LogID) bool {
	st, ok := s.stranding(log)
	return ok && st.done && st.behind == 0
}

// stranding is what is known of a log, if it still holds.
func (s *Store) stranding(log event.LogID) (st stranding, ok bool) {
	st, _, ok = s.again.look(log)
	_, stamp, _, suspect := s.logs.suspected(log)
	return st, ok && suspect && stamp == st.stamp
}

// holeIn reads an own log anew; nil when all of it can be handed on. A disk that
// cannot be asked just now is an error and no loss.
func (s *Store) holeIn(l *LogInfo) (*hole, error) {
	_, stamp, _, suspect := s.logs.suspected(l.ID)
	g := s.gapsOf(l.ID)
	if !suspect || g == nil {
		return nil, nil
	}
	places, err := s.projection.Places(l.ID, 0, l.Newest()+1)
	if err != nil {
		return nil, err
	}
	h := &hole{log: l.ID, stamp: stamp, from: math.MaxUint64}
	for _, b := range g.bare {
		h.from = min(h.from, b.seq)
	}
	if g.branch && g.first != nil {
		h.from = min(h.from, *g.first)
	}
	if places, err = s.readable(h, places, l.Newest()); err != nil {
		return nil, err
	}
	if len(h.lost) > 0 {
		h.from = min(h.from, h.lost[0].From)
	}
	if h.from == math.MaxUint64 {
		return nil, nil
	}
	i, _ := slices.BinarySearchFunc(places, h.from, func(p projection.Place, seq uint64) int { return cmp.Compare(p.Seq, seq) })
	h.behind = places[i:]
	return h, nil
}

// readable leaves the places that can be read, and notes in the hole which cannot.
func (s *Store) readable(h *hole, places []projection.Place, newest uint64) ([]projection.Place, error) {
	out, next := places[:0:0], uint64(0)
	for _, p := range places {
		r, err := s.projection.RecordAt(p.Pos)
		switch {
		case errors.Is(err, journal.ErrDamaged):
			continue
		case err != nil:
			return nil, err
		}
		if p.Seq > next {
			h.lost = append(h.lost, lostRun{exchange.SeqRange{From: next, To: p.Seq - 1}, r.Head.Prev})
		}
		next = max(next, p.Seq+1)
		out = append(out, p)
	}
	if next <= newest {
		h.lost = append(h.lost, lostRun{exchange.SeqRange{From: next, To: newest}, nil})
	}
	return out, nil
}

// rescue carries what stands behind a hole and no other log carries, and says what
// is lost.
func (s *Store) rescue(ctx context.Context, h *hole) (int, error) {
	if slices.Contains(s.OwnLogs(), h.log) {
		if err := s.NewEpoch(lostHere); err != nil {
			return 0, err
		}
	}
	s.again.ran(h.log, nil)
	told, err := s.sayLost(ctx, h)
	if err != nil {
		return 0, err
	}
	carried, left, err := s.carryAll(ctx, h.behind)
	if err != nil {
		return carried, err
	}
	if left > 0 {
		s.report.add(fmt.Sprintf("%d records of log %s stand behind one that is lost, and are too long to be saved again", left, h.log.Short()))
	}
	s.again.ran(h.log, &stranding{stamp: h.stamp, from: h.from, behind: left, done: true})
	if told > 0 || carried > 0 {
		s.report.add(h.words(carried))
	}
	return carried, nil
}

// carryAll carries the records at places, a few in each commit, as far as no other log
// carries them. left are those that cannot be carried.
func (s *Store) carryAll(ctx context.Context, places []projection.Place) (carried int, left int64, err error) {
	var drafts []Draft
	for i, p := range places {
		d, err := s.carryDraft(p)
		switch {
		case errors.Is(err, errTooLong):
			left++
		case err != nil:
			return carried, left, err
		case d != nil:
			drafts = append(drafts, *d)
		}
		if n := len(drafts); n == saveAtOnce || n > 0 && i == len(places)-1 {
			if _, err := s.Append(ctx, drafts...); err != nil {
				return carried, left, err
			}
			carried, drafts = carried+n, nil
		}
	}
	return carried, left, nil
}

// words is what people are told of a hole.
func (h *hole) words(carried int) string {
	var text string
	for _, l := range h.lost[:min(len(h.lost), maxWords)] {
		text += fmt.Sprintf("records %d to %d of log %s, which this machine wrote, are lost: they cannot be read here, and nobody who can be asked has them; ", l.From+1, l.To+1, h.log.Short())
	}
	return text + fmt.Sprintf("%d records behind them were saved again in a new log", carried)
}

// maxWords bounds the lost runs of one log that are told in one sentence.
const maxWords = 4

// errTooLong: a record does not fit into another one.
var errTooLong = errors.New("too long to be carried")

// carryDraft is the draft that carries the record at a place; nil when a log that
// can be handed on carries it, or when there is nothing to carry.
func (s *Store) carryDraft(p projection.Place) (*Draft, error) {
	r, err := s.projection.RecordAt(p.Pos)
	if errors.Is(err, journal.ErrDamaged) {
		return nil, nil // since it was looked at
	}
	if err != nil {
		return nil, err
	}
	r = r.Original()
	by, err := s.projection.Carrier(r.Hash)
	if err != nil || r.Seq() == 0 {
		return nil, err
	}
	if by != nil && !s.strands(by) {
		return nil, nil
	}
	d := Draft{Type: event.TypeSavedAgain, Payload: event.Carry(r)}
	if r.Size() > event.MaxPayloadBytes-carryBytes {
		return nil, errTooLong
	}
	return &d, nil
}

// carryBytes is more than what stands in a payload beside the record that it carries.
const carryBytes = 256

// strands says that a record of this device stands behind a hole of its own log.
func (s *Store) strands(r *event.Record) bool {
	g := s.gapsOf(r.Log)
	if g == nil {
		return false
	}
	return g.first != nil && r.Seq() >= *g.first || len(g.missing) > 0 && r.Seq() >= g.missing[0].From
}

// sayLost writes down what is lost, as far as that was not said. It gives how many
// runs it said.
func (s *Store) sayLost(ctx context.Context, h *hole) (int, error) {
	said, err := s.saidLost(ctx, h.log)
	if err != nil {
		return 0, err
	}
	var drafts []Draft
	for _, l := range h.lost {
		if slices.ContainsFunc(said, func(p *pb.RecordsLost) bool { return p.From <= l.From && l.To <= p.To }) {
			continue
		}
		drafts = append(drafts, Draft{Type: event.TypeRecordsLost, Payload: &pb.RecordsLost{Log: h.log[:], From: l.From, To: l.To, Last: l.last}})
	}
	if len(drafts) == 0 {
		return 0, nil
	}
	_, err = s.Append(ctx, drafts...)
	return len(drafts), err
}

// saidLost lists what this device has said to be lost of a log, in records that
// reach others.
func (s *Store) saidLost(ctx context.Context, log event.LogID) (out []*pb.RecordsLost, err error) {
	err = s.View(ctx, func(v *Snapshot) error {
		return v.Records(event.LogKey(log), func(r *event.Record) error {
			m, err := r.Payload()
			if p, ok := m.(*pb.RecordsLost); err == nil && ok && bytes.Equal(r.Head.Device, s.device) && !s.strands(r) {
				out = append(out, p)
			}
			return nil
		})
	})
	return out, err
}

// CarrierOf is the record that carries another one of this device, which was saved
// again; nil for none.
func (s *Store) CarrierOf(h event.Hash) (*event.Record, error) { return s.projection.Carrier(h) }

// OwnLog is one of the logs that this device writes or has written.
type OwnLog struct {
	Log event.LogID
	// Records are those that the log can hand on, from its opening on.
	Records int64
	// Stranded are those behind a hole that no other log carries yet.
	Stranded int64
}

// OwnRecords counts the records of this device that are held here, by log.
func (s *Store) OwnRecords() (out []OwnLog, err error) {
	own, err := s.ownLogs()
	for _, l := range own {
		o := OwnLog{Log: l.ID, Records: int64(l.Newest()) + 1}
		if s.gapsOf(l.ID) != nil {
			o.Records, o.Stranded = s.countStranded(&l)
		}
		out = append(out, o)
	}
	return out, err
}

// countStranded counts what a log with a hole can hand on, and what is stranded in
// it. It reads the log once for each change of it.
func (s *Store) countStranded(l *LogInfo) (records, stranded int64) {
	if st, ok := s.stranding(l.ID); ok {
		return int64(st.from), st.behind
	}
	_, runs, _ := s.again.look(l.ID)
	err := s.CatchUp(context.Background()) // the index says what other logs carry
	h, failed := s.holeIn(l)
	if failed != nil || h == nil {
		return int64(l.Newest()) + 1, 0
	}
	st := stranding{stamp: h.stamp, from: h.from}
	for _, p := range h.behind {
		if d, err := s.carryDraft(p); d != nil || err != nil {
			st.behind++
		}
	}
	if err == nil {
		s.again.put(l.ID, st, runs)
	}
	return int64(st.from), st.behind
}

// HandedOn is Held, as others can take it from a file: an own log whose hole nobody
// can fill ends before it, once what stands behind was saved again.
func (s *Store) HandedOn() (out []exchange.HeldLog, err error) {
	for _, h := range s.Held() {
		if st, ok := s.stranding(h.Log); ok && st.done && st.behind == 0 {
			h.Missing, h.Tips = nil, nil
			if st.from == 0 {
				continue
			}
			if h.Tips, err = s.tipsAt(h.Log, st.from-1); err != nil {
				return nil, err
			}
		}
		out = append(out, h)
	}
	return out, nil
}

// LostIn lists the places of a log at which nothing can be read. It reads the log.
func (s *Store) LostIn(log event.LogID) (out []exchange.SeqRange) {
	l, ok := s.Log(log)
	if !ok {
		return nil
	}
	h, err := s.holeIn(&l)
	if err != nil || h == nil {
		return nil
	}
	for _, lost := range h.lost {
		out = append(out, lost.SeqRange)
	}
	return out
}
