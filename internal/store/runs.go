package store

import (
	"bytes"
	"context"
	"errors"
	"math"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// place is where one record of a log lies.
type place struct {
	seq uint64
	pos journal.Position
}

// ReadRun reads records of a log from seq on, as they were saved, at most
// maxBytes of them, ending at a signature. next is the first seq after the run.
// The run is nil when there is nothing to send. All branches of a forked log are
// in it, in the order of seq and hash.
func (s *Store) ReadRun(ctx context.Context, log event.LogID, from uint64, maxBytes int) (run *pb.Run, next uint64, err error) {
	recs, err := s.readRecords(ctx, log, from, maxBytes)
	if err != nil {
		return nil, from, err
	}
	cut, next := exchange.CutRun(recs, maxBytes)
	if len(cut) == 0 {
		return nil, from, nil
	}
	run = &pb.Run{Log: log[:], From: cut[0].Head.Seq, Records: make([][]byte, len(cut))}
	for i, r := range cut {
		run.Records[i] = r.Wire()
	}
	return run, next, nil
}

// readRecords reads records until they pass maxBytes by one, so that a run can
// be cut; the last seq is complete. It stops at damage: what lies behind it is
// sent after it is refilled.
func (s *Store) readRecords(ctx context.Context, log event.LogID, from uint64, maxBytes int) ([]*event.Record, error) {
	most := max(maxBytes, 2*exchange.StoneBytes) // far enough to meet a signature
	places, err := s.places(log, from, uint64(most/minRecordBytes)+1)
	if err != nil {
		return nil, err
	}
	var recs []*event.Record
	size := 0
	err = s.journal.ReadEach(positionsOf(places), func(i int, frame []byte) error {
		if size > most && places[i].seq != places[i-1].seq {
			return errEnough
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		r, err := event.Decode(bytes.Clone(frame))
		if err != nil {
			return err
		}
		size += r.Size()
		recs = append(recs, r)
		return nil
	})
	switch {
	case errors.Is(err, journal.ErrDamaged):
		s.damagedAt(places[len(recs)].pos, err)
	case !errors.Is(err, errEnough):
		return recs, err
	}
	return recs, nil
}

func positionsOf(places []place) []journal.Position {
	out := make([]journal.Position, len(places))
	for i, p := range places {
		out[i] = p.pos
	}
	return out
}

// minRecordBytes is less than any record takes, to bound how many are looked up.
const minRecordBytes = 128

// places lists where the records of a log lie from one seq on, n places of the
// log, in order of seq and hash. Those that wait for the index come from memory.
func (s *Store) places(log event.LogID, from, n uint64) ([]place, error) {
	end := from + min(n, math.MaxUint64-from)
	out := s.tailOf(log, from, end)
	// Extents overlap where a log is forked or was refilled, so those that begin
	// up to one whole extent earlier can hold what is wanted.
	first := extentKey(log, from-min(from, maxExtent-1), journal.Position{})
	err := s.index.View(func(r index.Reader) error {
		return r.Scan(extentPrefix(log), first, false, func(k, v []byte) (bool, error) {
			x, _, ok := decodeExtent(k, v)
			for i := 0; ok && i < len(x.offsets); i++ {
				if seq := x.seq + uint64(i); from <= seq && seq < end {
					out = append(out, place{seq, x.at(i)})
				}
			}
			return x.seq < end, nil
		})
	})
	if err != nil {
		return nil, err
	}
	return s.ordered(out), nil
}

// tailOf lists the records of a log that are saved and not yet indexed.
func (s *Store) tailOf(log event.LogID, from, end uint64) []place {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []place
	if l, ok := s.logs[log]; ok {
		for _, t := range l.tail {
			if from <= t.seq && t.seq < end {
				out = append(out, place{t.seq, t.pos})
			}
		}
	}
	return out
}

// ordered sorts places by seq and drops repeats. Where a seq has several places,
// the records are put in the order of their hashes and copies are dropped.
func (s *Store) ordered(ps []place) []place {
	slices.SortStableFunc(ps, func(a, b place) int {
		if a.seq != b.seq {
			if a.seq < b.seq {
				return -1
			}
			return 1
		}
		return a.pos.Compare(b.pos)
	})
	ps = slices.Compact(ps)
	out := ps[:0]
	for i := 0; i < len(ps); {
		j := i + 1
		for j < len(ps) && ps[j].seq == ps[i].seq {
			j++
		}
		if j == i+1 {
			out = append(out, ps[i])
		} else {
			out = append(out, s.distinct(ps[i:j])...)
		}
		i = j
	}
	return out
}

// distinct keeps one readable place for each record, ordered by hash.
func (s *Store) distinct(ps []place) []place {
	type at struct {
		place
		hash event.Hash
	}
	var list []at
	for _, p := range ps {
		if r, err := s.recordAt(p.pos); err == nil {
			list = append(list, at{p, r.Hash})
		}
	}
	slices.SortStableFunc(list, func(a, b at) int { return a.hash.Compare(b.hash) })
	list = slices.CompactFunc(list, func(a, b at) bool { return a.hash == b.hash })
	out := make([]place, len(list))
	for i, l := range list {
		out[i] = l.place
	}
	return out
}

// recordsAt reads the records of a log at one seq. What cannot be read is left
// out: it counts as missing.
func (s *Store) recordsAt(log event.LogID, seq uint64) []*event.Record {
	var spots []journal.Position
	s.mu.RLock()
	if l, ok := s.logs[log]; ok {
		for i := len(l.tail) - 1; i >= 0; i-- {
			if l.tail[i].seq == seq {
				spots = append(spots, l.tail[i].pos)
			}
		}
	}
	s.mu.RUnlock()
	err := s.index.View(func(r index.Reader) error {
		found, err := positionsAt(r, log, seq)
		for _, f := range found {
			spots = append(spots, f.pos)
		}
		return err
	})
	if err != nil {
		s.opt.Logger.Error("look up records", "log", log.Short(), "seq", seq, "error", err)
	}
	var out []*event.Record
	for _, p := range spots {
		r, err := s.recordAt(p)
		if err == nil && !slices.ContainsFunc(out, func(o *event.Record) bool { return o.Hash == r.Hash }) {
			out = append(out, r)
		}
	}
	return out
}

// Has says whether the record with that hash is held at that place of a log.
func (s *Store) Has(log event.LogID, at exchange.Tip) bool {
	if s.remembers(log, at) {
		return true
	}
	return slices.ContainsFunc(s.recordsAt(log, at.Seq), func(r *event.Record) bool { return r.Hash == at.Hash })
}

// remembers says that a record is held without looking at the disk: as an end of
// a log, where no damage is known, or because it was saved a moment ago.
func (s *Store) remembers(log event.LogID, at exchange.Tip) bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	l, ok := s.logs[log]
	if !ok {
		return false
	}
	if !s.suspect[log] && (l.Tip == at || slices.Contains(l.Branches, at)) {
		return true
	}
	if n := len(l.tail); n > 0 && at.Seq >= l.tail[0].seq { // where it lies when the tail is one stretch
		if i := at.Seq - l.tail[0].seq; i < uint64(n) && l.tail[i].seq == at.Seq && l.tail[i].hash == at.Hash {
			return true
		}
	}
	for i := len(l.tail) - 1; i >= 0 && i >= len(l.tail)-maxShortTail; i-- {
		if l.tail[i].seq == at.Seq && l.tail[i].hash == at.Hash {
			return true
		}
	}
	return false
}

// maxShortTail is how many of the newest records are looked at in memory.
const maxShortTail = 64
