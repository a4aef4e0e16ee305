package store

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// ReadRun reads records of a log from seq on, as they were saved, at most
// maxBytes of them, ending at a signature. next is the first seq after the run.
// The run is nil when there is nothing to send from there. All branches of a forked log are
// in it, in the order of seq and hash.
func (s *Store) ReadRun(ctx context.Context, log event.LogID, from uint64, maxBytes int) (run *pb.Run, next uint64, err error) {
	gaps := s.gapsOf(log)
	if l, ok := s.Log(log); ok && l.Fork == 0 && gaps == nil {
		run, plain, err := s.readPlain(ctx, log, from, maxBytes)
		if err != nil || plain {
			return run, from + uint64(len(run.GetRecords())), err
		}
	}
	recs, err := s.readRecords(ctx, log, from, maxBytes, gaps)
	if err != nil {
		return nil, from, err
	}
	cut, next := exchange.CutRun(recs, maxBytes)
	if len(cut) == 0 || cut[0].Head.Seq != from {
		return nil, from, nil
	}
	run = &pb.Run{Log: log[:], From: from, Records: make([][]byte, len(cut))}
	for i, r := range cut {
		run.Records[i] = r.Wire()
	}
	return run, next, nil
}

// readPlain is ReadRun of a log that is whole and has one record at each seq, as nearly
// all are: its records are handed on without being decoded. plain is false when the
// log turned out to be another one.
func (s *Store) readPlain(ctx context.Context, log event.LogID, from uint64, maxBytes int) (run *pb.Run, plain bool, err error) {
	var pieces []exchange.Piece
	var frames pile
	plain = true
	err = s.readEach(ctx, log, from, maxBytes, func(seq uint64, frame []byte) (int, error) {
		o, ok := event.OutlineOf(frame)
		if !ok || seq != from+uint64(len(pieces)) {
			plain = false
			return 0, errEnough
		}
		pieces = append(pieces, exchange.Piece{Seq: seq, Size: o.Size, Signed: o.Signed})
		frames.add(frame)
		return o.Size, nil
	})
	n := exchange.CutPlain(pieces, maxBytes)
	if err != nil || !plain || n == 0 {
		return nil, plain, err
	}
	return &pb.Run{Log: log[:], From: from, Records: frames.list[:n]}, true, nil
}

// pile keeps copies of frames in few pieces of memory.
type pile struct {
	list  [][]byte
	space []byte
}

// A pile begins small, for most runs are one record.
const (
	leastPile = 2 << 10
	mostPile  = 256 << 10
)

func (p *pile) add(frame []byte) {
	if len(p.space)+len(frame) > cap(p.space) {
		p.space = make([]byte, 0, max(leastPile, min(2*cap(p.space), mostPile), len(frame)))
	}
	at := len(p.space)
	p.space = append(p.space, frame...)
	p.list = append(p.list, p.space[at:len(p.space):len(p.space)])
}

// readRecords reads and decodes the records of a run.
func (s *Store) readRecords(ctx context.Context, log event.LogID, from uint64, maxBytes int, gaps *gaps) (recs []*event.Record, err error) {
	err = s.readEach(ctx, log, from, maxBytes, func(_ uint64, frame []byte) (int, error) {
		r, err := event.Decode(bytes.Clone(frame))
		if err != nil || gaps.withholds(r.Hash) {
			return 0, err // what is withheld nobody would take
		}
		recs = append(recs, r)
		return r.Size(), nil
	})
	return recs, err
}

// readEach reads records until they pass maxBytes by one, so that a run can be cut;
// the last seq is complete. take says how many bytes count. It stops at damage: what
// lies behind it is sent after it is refilled.
func (s *Store) readEach(ctx context.Context, log event.LogID, from uint64, maxBytes int, take func(seq uint64, frame []byte) (int, error)) error {
	most := max(maxBytes, 2*exchange.StoneBytes) // far enough to meet a signature
	places, err := s.projection.Places(log, from, uint64(most/minRecordBytes)+1)
	if err != nil {
		return err
	}
	size, read := 0, 0
	err = s.truth.ReadEach(positionsOf(places), func(i int, frame []byte) error {
		if size > most && places[i].Seq != places[i-1].Seq {
			return errEnough
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := take(places[i].Seq, frame)
		if err == nil {
			size, read = size+n, i+1
		}
		return err
	})
	switch {
	case errors.Is(err, journal.ErrDamaged):
		s.damaged(places[read].Pos, places[read].Pos, err.Error())
	case !errors.Is(err, errEnough):
		return err
	}
	return nil
}

func positionsOf(places []projection.Place) []journal.Position {
	out := make([]journal.Position, len(places))
	for i, p := range places {
		out[i] = p.Pos
	}
	return out
}

// errEnough ends a read early.
var errEnough = errors.New("enough")

// minRecordBytes is less than any record takes, to bound how many are looked up.
const minRecordBytes = 128

// Has says whether the record with that hash is held at that place of a log. ErrUnread:
// it cannot be told just now.
func (s *Store) Has(log event.LogID, at exchange.Tip) (bool, error) {
	if s.logs.IsEnd(log, at) || s.projection.Holds(log, at) {
		return true, nil
	}
	recs, err := s.projection.RecordsAt(log, at.Seq)
	return slices.ContainsFunc(recs, func(r *event.Record) bool { return r.Hash == at.Hash }), err
}

// Holds says that the record with that hash is held at that place of a log for certain.
func (s *Store) Holds(log event.LogID, at exchange.Tip) bool {
	has, err := s.Has(log, at)
	return has && err == nil
}
