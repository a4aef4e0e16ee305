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
	recs, err := s.readRecords(ctx, log, from, maxBytes)
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

// readRecords reads records until they pass maxBytes by one, so that a run can
// be cut; the last seq is complete. It stops at damage: what lies behind it is
// sent after it is refilled.
func (s *Store) readRecords(ctx context.Context, log event.LogID, from uint64, maxBytes int) ([]*event.Record, error) {
	most := max(maxBytes, 2*exchange.StoneBytes) // far enough to meet a signature
	places, err := s.projection.Places(log, from, uint64(most/minRecordBytes)+1)
	if err != nil {
		return nil, err
	}
	var recs []*event.Record
	gaps := s.gapsOf(log)
	size, read := 0, 0
	err = s.journal.ReadEach(positionsOf(places), func(i int, frame []byte) error {
		if size > most && places[i].Seq != places[i-1].Seq {
			return errEnough
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		r, err := event.Decode(bytes.Clone(frame))
		if err != nil {
			return err
		}
		if read = i + 1; gaps.withholds(r.Hash) {
			return nil // nobody would take it
		}
		size += r.Size()
		recs = append(recs, r)
		return nil
	})
	switch {
	case errors.Is(err, journal.ErrDamaged):
		s.damaged(places[read].Pos, places[read].Pos, err.Error())
	case !errors.Is(err, errEnough):
		return recs, err
	}
	return recs, nil
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
