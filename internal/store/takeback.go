package store

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// ErrStartAgain: the disk can be read again, and a new start takes back what was not.
var ErrStartAgain = errors.New("the disk can be read again: start this program anew, so that it takes back the records that it could not read")

// TakeBack takes back what the disk could not read and can read now, as after a cable
// was put right, and says how many records that are. Where nothing was unreadable it
// costs next to nothing. ErrStartAgain is told among the repairs.
func (s *Store) TakeBack(ctx context.Context) (taken int, err error) {
	if s.disk != nil {
		switch same, err := s.disk.Relook(); {
		case err != nil:
			return 0, err
		case !same:
			s.report.add(ErrStartAgain.Error())
			return 0, ErrStartAgain
		}
	}
	taken, err = s.projection.TakeBack(ctx)
	if err != nil {
		return taken, fmt.Errorf("take back what could not be read: %w", err)
	}
	healed := s.report.heal(s.damagedIn)
	if taken == 0 && !healed {
		return taken, nil
	}
	if err := s.retake(ctx); err != nil {
		return taken, err
	}
	if err := s.joinOwn(); err != nil {
		return taken, err
	}
	if taken > 0 {
		s.report.add(fmt.Sprintf("the disk can be read again: %d records were taken from it once more", taken))
	}
	s.logs.suspectAll() // each is read once more, and then is whole again
	s.signals.save()
	return taken, nil
}

// retake brings the table of logs to what the index knows of them, while nothing is
// committed. Any of them may have moved beside a record that could not be read then, and
// that the index held already: it lies beside what came since, as a fork does.
func (s *Store) retake(ctx context.Context) error {
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	if err := s.CatchUp(ctx); err != nil {
		return err
	}
	return s.projection.EachLog(func(l LogInfo) {
		if known, ok := s.logs.Log(l.ID); !ok || !reflect.DeepEqual(known, l) {
			s.logs.publish(map[event.LogID]*LogInfo{l.ID: &l})
			s.author.met(l.HLC)
		}
	})
}

// joinOwn begins new logs when one of this device came back that it could not read when
// it began others: the next start could not tell on which of them it wrote.
func (s *Store) joinOwn() error {
	ends := s.begin().ownEnds()
	if slices.ContainsFunc(lanes, func(lane pb.Lane) bool { return len(ends[lane]) > 1 }) {
		return s.renew(cameBack)
	}
	return nil
}

// damagedIn is what of a stretch of the journal cannot be read now.
func (s *Store) damagedIn(r journal.Range) (out []journal.Range) {
	if r.From == r.To {
		if _, _, err := s.truth.ReadAt(r.From, nil); err != nil {
			out = append(out, r)
		}
		return out
	}
	err := s.truth.Scan(r.From, func(at journal.Position, _ []byte) error {
		if at.Compare(r.To) >= 0 {
			return errEnough
		}
		return nil
	}, func(from, to journal.Position, reason string) error {
		if from.Compare(r.To) >= 0 {
			return errEnough
		}
		out = append(out, journal.Range{From: from, To: to, Reason: reason})
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return []journal.Range{r}
	}
	return out
}
