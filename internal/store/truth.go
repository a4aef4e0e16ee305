package store

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
)

// Truth keeps the replica's records for good, in the order in which they were
// committed: whatever the replica acknowledges was first given to Commit, and Commit
// returned nil. It knows nothing of records; it takes bytes and gives positions, and
// all else of a replica can be rebuilt from it. The file journal is one; the laws that
// each must keep are package truthtest. Its methods are safe for concurrent use.
//
// One opener writes. A second one either finds the place taken, or takes it over: from
// then on every Commit of the first is refused with ErrFenced, and nothing of it is there.
type Truth interface {
	projection.Journal

	// Commit appends a batch, all of it or nothing, behind the end that this opener
	// knows, and gives the position of each frame. On an error none is acknowledged and
	// no reader of this opener sees any; the frames are not kept. journal.ErrTooLarge:
	// an empty frame, one over journal.MaxFrame, or a batch over journal.MaxCommit.
	Commit(frames [][]byte) ([]journal.Position, error)
	// ReadEach hands on the frames at positions, in the order given, with their places in
	// the list. A frame is valid during the call. It ends at the first error.
	ReadEach(at []journal.Position, fn func(i int, frame []byte) error) error
	Close() error
}

// Shared is what a truth tells besides that others open too, elsewhere.
type Shared = projection.Shared

// Disk is what a truth on a disk of this machine tells besides: a disk fills up, and
// comes back after a cable was put right.
type Disk interface {
	Free() (uint64, error)
	Room() (uint64, error)
	Size() (int64, error)
	ReserveUsed() bool
	Relook() (ok bool, err error)
}

// ErrFenced: another process took this replica's records over.
var ErrFenced = refusal.Fail(refusal.ErrUnavailable, "another process has taken over this practice's records: this one saves nothing any more")

// Opening is what a truth is given when it is opened.
type Opening struct {
	Key     []byte // 32 bytes close every frame; nil: they stay in the clear. Decided at creation
	KeyID   string // names the key in the clear
	Now     func() time.Time
	Elapsed func() time.Duration
	Random  io.Reader
	// Synced is told how long each commit took to be durable.
	Synced func(took time.Duration)
}

// OpenTruth opens a truth, or begins one, and says what it found to be damaged.
type OpenTruth func(context.Context, Opening) (Truth, journal.Report, error)

// OpenJournal opens the file journal in a replica's folder, whose lock its caller holds; on
// the disk when fs is nil.
func OpenJournal(fs journal.FS, dir string, segmentMax int) OpenTruth {
	if fs == nil {
		fs = journal.OSFS{}
	}
	return func(_ context.Context, o Opening) (Truth, journal.Report, error) {
		j, report, err := journal.Open(journal.Options{
			FS: fs, Dir: filepath.Join(dir, "journal"), Key: o.Key, KeyID: o.KeyID, Now: o.Now, Rand: o.Random,
			SegmentBytes: segmentMax, Synced: o.Synced, Elapsed: o.Elapsed,
		})
		if err != nil {
			return nil, report, fmt.Errorf("open the journal in %s: %w", dir, err)
		}
		return j, report, nil
	}
}

func (s *Store) openTruth(ctx context.Context) error {
	open := s.opt.Truth
	if open == nil {
		open = OpenJournal(s.opt.FS, s.opt.Dir, s.opt.SegmentMax)
	}
	truth, report, err := open(ctx, Opening{
		Key: s.opt.Key, KeyID: s.opt.KeyID, Now: s.opt.Clock.Now, Elapsed: s.opt.Clock.Monotonic,
		Random: s.opt.Random, Synced: s.synced,
	})
	if err != nil {
		return err
	}
	s.truth = truth
	s.disk, _ = truth.(Disk)
	for _, d := range report.Damaged {
		s.damaged(d.From, d.To, d.Reason)
	}
	s.torn = report.TornBytes
	return nil
}
