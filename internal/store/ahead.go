package store

import (
	"cmp"
	"runtime"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// To verify a run takes longer than to save it. It is done before the writer is held,
// so that an entry that is typed meanwhile does not wait for it; what was found counts
// as long as nothing has changed of the log since.

// ahead is what was found of a run before its turn.
type ahead struct {
	checked exchange.Checked
	stamp   uint64 // of its log, before anything was looked at
	counts  bool
}

// inBulk is how many bytes of runs wait for their turn: what a person wrote is less.
const inBulk = 32 << 10

// checkAhead verifies runs. Those that are refused, that follow another run of their
// log or belong to a log where damage is known are left to the writer.
func (s *Store) checkAhead(runs []*pb.Run) []ahead {
	if bytesOf(runs) > inBulk {
		_, done := s.turn()
		defer done()
	}
	out := make([]ahead, len(runs))
	seen := map[event.LogID]bool{}
	for i, run := range runs {
		id, ok := event.ToHash(run.GetLog())
		if !ok || seen[id] || !s.logs.IsWhole(id) {
			continue
		}
		seen[id] = true
		a := &out[i]
		a.stamp = s.logs.stamp(id)
		var held *LogInfo
		if l, ok := s.logs.Log(id); ok {
			held = &l
		}
		c, _, err := s.check(run, id, held, func(seq uint64) ([]exchange.Point, error) { return s.heldAt(id, seq) })
		a.checked, a.counts = c, err == nil && c.Refused == nil
	}
	return out
}

// check verifies a run against what is held of its log; nil for nothing. The error is
// that of at: what was found then rests on what could not be read.
func (s *Store) check(run *pb.Run, id event.LogID, held *LogInfo, at func(seq uint64) ([]exchange.Point, error)) (c exchange.Checked, missing bool, err error) {
	have := exchange.LogState{HeldLog: exchange.HeldLog{Log: id}, Pause: runtime.Gosched}
	if held != nil {
		have.HeldLog, have.PublicKey = s.heldOf(held), held.Key
		have.At = func(seq uint64) []exchange.Point {
			points, unread := at(seq)
			err = cmp.Or(err, unread)
			return points
		}
	}
	c = exchange.Check(run, have)
	return c, len(have.Missing) > 0, err
}

// heldAt lists the records of a log that are held at one seq.
func (s *Store) heldAt(id event.LogID, seq uint64) (out []exchange.Point, err error) {
	bare := s.logs.bareIn(id)
	held, err := s.projection.RecordsAt(id, seq)
	for _, r := range held {
		point := exchange.PointOf(r)
		point.Bare = bare.has(r)
		out = append(out, point)
	}
	return out, err
}

// foundAhead is what was found of a run of a log before its turn, if it still counts.
func (p *pendingCommit) foundAhead(w *write, run int, id event.LogID) (c exchange.Checked, ok bool) {
	if run >= len(w.ahead) || !w.ahead[run].counts {
		return c, false
	}
	if _, moved := p.logs[id]; moved || p.s.logs.stamp(id) != w.ahead[run].stamp || !p.s.logs.IsWhole(id) {
		return c, false
	}
	return w.ahead[run].checked, true
}
