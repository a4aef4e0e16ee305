package store

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/projection"
)

// What is read from the index is the projection's; these are its names here.
type (
	// Snapshot answers from folded state as it was when the view began.
	Snapshot = projection.Snapshot
	// Found is an entity found under a term, with its line if its kind has one.
	Found = projection.Found
	// LogInfo is what a replica knows of a log without looking at its records.
	LogInfo = projection.LogInfo
)

// Get is Snapshot.State with its type; ok is false when nothing is known.
func Get[S ledger.State](v *Snapshot, k event.Key) (state S, ok bool, err error) {
	return projection.Get[S](v, k)
}

// View catches up with the journal and lets fn read one consistent state. It
// passes every record that was saved before the call.
func (s *Store) View(ctx context.Context, fn func(*Snapshot) error) error {
	return s.projection.View(ctx, fn)
}

// ViewOwn is View that passes every record of this device and every urgent one
// that was saved before the call, but perhaps not all of other devices' ordinary
// records: those that arrived a moment ago look as if they had not come yet.
func (s *Store) ViewOwn(ctx context.Context, fn func(*Snapshot) error) error {
	return s.projection.ViewOwn(ctx, fn)
}

// Trouble is why the index cannot be written now; nil while it can. Answers come
// from memory then, and records are saved all the same.
func (s *Store) Trouble() error { return s.projection.Trouble() }

// Unwritten is why the newest records could not be saved; nil once others could.
func (s *Store) Unwritten() error {
	if err := s.unwritten.Load(); err != nil {
		return *err
	}
	return nil
}

// Room says, once the disk is nearly full, how many bytes are about left for
// records: what is free, and what the journal has kept free for them.
func (s *Store) Room() (bytes uint64, short bool) {
	if s.disk == nil || !errors.Is(s.Trouble(), index.ErrNoSpace) && !s.disk.ReserveUsed() {
		return 0, false
	}
	bytes, err := s.disk.Room()
	if err != nil {
		s.opt.Logger.Error("ask for the room left", "error", err)
	}
	return bytes, true
}

// DiskFree is how many bytes are left on the disk, without what the journal keeps free.
func (s *Store) DiskFree() (uint64, error) {
	if s.disk == nil {
		return s.opt.FS.Free(s.opt.Dir) // the index lies there all the same
	}
	return s.disk.Free()
}

// ReserveUsed says that the disk was full and the room kept free for records is not in
// place again.
func (s *Store) ReserveUsed() bool { return s.disk != nil && s.disk.ReserveUsed() }

// OnSync has fn told how long each sync of records takes, from now on. It is called while
// records wait, and must be quick.
func (s *Store) OnSync(fn func(took time.Duration)) { s.onSync.Store(&fn) }

func (s *Store) synced(took time.Duration) {
	if fn := s.onSync.Load(); fn != nil {
		(*fn)(took)
	}
}

// Size is how many bytes the records take on the disk; none where they lie elsewhere.
func (s *Store) Size() (int64, error) {
	if s.disk == nil {
		return 0, nil
	}
	return s.disk.Size()
}

// CatchUp applies to the index all that the journal holds. A view calls it first;
// it costs next to nothing when there is nothing to apply.
func (s *Store) CatchUp(ctx context.Context) error { return s.projection.CatchUp(ctx) }

// Settle writes down what the index gathered in memory while much was applied to it,
// for when the replica has come to rest. settled is false when it is worth asking again
// a little later.
func (s *Store) Settle(ctx context.Context) (settled bool, err error) {
	return s.projection.Settle(ctx)
}

// Behind counts the records that are saved and not yet folded.
func (s *Store) Behind() int { return s.projection.Behind() }

// FindRecord finds a record by the first hex digits of its hash, at least eight;
// ambiguity and absence are ErrNotFound, and ErrUnread when it is here and cannot be
// read.
func (s *Store) FindRecord(prefix string) (*event.Record, error) {
	return s.projection.FindRecord(prefix)
}

// SetLocal keeps a small fact of this replica alone, outside the state.
func (s *Store) SetLocal(name string, value []byte) error { return s.projection.SetLocal(name, value) }

// Local reads a small fact of this replica; nil when there is none.
func (s *Store) Local(name string) ([]byte, error) { return s.projection.Local(name) }
