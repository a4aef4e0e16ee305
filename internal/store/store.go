package store

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store/filelock"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	"thawtrail/internal/store/reach"
	pb "thawtrail/proto/thawtrail/v1"
)

// JournalFormat is the number of the form in which records lie on a disk.
const JournalFormat = journal.FormatVersion

// Options open a replica.
type Options struct {
	Dir        string             // holds journal/, index/ and aside/
	FS         journal.FS         // nil: the disk
	Index      index.Index        // nil: Badger in Dir/index
	Key        []byte             // 32 bytes encrypt the journal; nil: plain. Decided at creation
	IndexKey   []byte             // 32 bytes encrypt the index; the journal's when nil
	KeyID      string             // names the key in the clear
	Clock      clock.Clock        // required
	Random     io.Reader          // for several goroutines at once; nil: crypto/rand
	Device     ed25519.PrivateKey // signs what this replica writes
	DeviceName string
	// Founding is the record that founded the practice that this replica joined;
	// zero before it joined one: then the first founding in written order counts.
	Founding   event.Hash
	Version    string // of the program; stands in every header
	Logger     *slog.Logger
	SegmentMax int // bytes of a journal segment; 0: its default
	// Truth opens where the records lie for good; nil: the journal in Dir/journal.
	Truth OpenTruth
	// StrangerBytes bounds what is kept of logs of laptops that are not of this
	// practice, when a laptop pushes them (IngestFrom); 0: no bound.
	StrangerBytes int64
	// Charter is what stands in the second place of what the replica stands on
	// (Store.Charter); nil: there is none.
	Charter []*pb.Run
	// Turn waits for a turn to do one piece of work in bulk, on one core, where stores share a
	// machine and none may keep it from the others, and gives what ends it; nil: the store has
	// the machine for itself, and leaves a core free only while a person writes.
	Turn func() (done func())
	// Far is how many records behind the journal the index gathers what is applied to
	// it in memory, until Settle; 0: what is usual.
	Far int

	// Tests make these small, or say how the index they hand over was closed.
	behind  uint64
	unclean bool
}

// Errors that callers tell apart.
var (
	ErrClosed   = projection.ErrClosed
	ErrNotFound = projection.ErrNotFound
	ErrUnread   = projection.ErrUnread
	ErrLocked   = filelock.ErrLocked
	ErrNoSpace  = journal.ErrNoSpace // also the reserve is used up
)

// Store is an open replica. Its methods are safe for concurrent use. Each lock
// guards the fields of one small struct; doc.go says in which order they are taken.
type Store struct {
	opt        Options
	public     ed25519.PublicKey
	device     []byte
	boot       []byte
	lock       io.Closer // of the folder, held from before the first read to the end
	truth      Truth
	disk       Disk        // nil: the truth does not lie on a disk of this machine
	reach      *reach.File // nil: none
	reached    reach.Mark  // how far the journal had reached when it was opened
	torn       int64       // unreadable bytes at its end then
	lostEnd    bool        // records at its end were found to be gone then
	projection *projection.Projection

	writer  writer
	person  person
	logs    logTable
	author  authorship
	report  damageReport
	signals signals
	again   savedAgain

	rightsMoves atomic.Uint64         // counts records that touch rights
	holes       atomic.Uint64         // counts unreadable stretches
	unwritten   atomic.Pointer[error] // how the newest commit ended
	onSync      atomic.Pointer[func(time.Duration)]
	closed      atomic.Bool
}

// Open opens the replica in opt.Dir or begins one, applies what the index lacks,
// and opens this device's logs where there are none to go on with.
func Open(ctx context.Context, opt Options) (*Store, error) {
	s, err := prepare(opt)
	if err != nil {
		return nil, err
	}
	if s.lock, err = lockFolder(s.opt); err != nil {
		return nil, err
	}
	if s.projection, err = projection.Open(s.projectionOptions()); err != nil {
		return nil, errors.Join(err, s.lock.Close())
	}
	if err := s.openTruth(ctx); err != nil {
		return nil, errors.Join(err, s.projection.Close(), s.lock.Close())
	}
	s.openReach()
	if err := s.restore(ctx); err != nil {
		return nil, errors.Join(err, s.closeAll())
	}
	s.beginReach()
	return s, nil
}

func prepare(opt Options) (*Store, error) {
	if opt.Clock == nil || len(opt.Device) != ed25519.PrivateKeySize {
		return nil, errors.New("store: a clock and a device key are required")
	}
	if opt.IndexKey == nil {
		opt.IndexKey = opt.Key
	}
	if opt.FS == nil {
		opt.FS = journal.OSFS{}
	}
	if opt.Random == nil {
		opt.Random = rand.Reader
	}
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	public := opt.Device.Public().(ed25519.PublicKey)
	s := &Store{
		opt: opt, public: public, device: event.DeviceID(public), boot: make([]byte, 8),
		writer: newWriter(), logs: newLogTable(), author: newAuthorship(),
		report: damageReport{logger: opt.Logger}, signals: newSignals(), again: newSavedAgain(),
	}
	if _, err := io.ReadFull(opt.Random, s.boot); err != nil {
		return nil, fmt.Errorf("store: no randomness: %w", err)
	}
	return s, nil
}

func (s *Store) projectionOptions() projection.Options {
	return projection.Options{
		Dir: s.opt.Dir, Index: s.opt.Index, Key: s.opt.IndexKey, Device: s.public, Founding: s.opt.Founding,
		Logger: s.opt.Logger, Elapsed: s.opt.Clock.Monotonic, Logs: &s.logs, Damaged: s.damaged, Repaired: s.report.add, Applied: s.signals.fold,
		Behind: s.opt.behind, Far: s.opt.Far, Unclean: s.opt.unclean, Turn: s.turn,
	}
}

// Close stops the replica. What was acknowledged is on the disk already.
func (s *Store) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	s.signals.save()
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	return s.closeAll()
}

func (s *Store) closeAll() error {
	return errors.Join(s.projection.Close(), s.truth.Close(), s.reach.Close(), s.lock.Close())
}

// RightsMoves counts the records that touch rights since the replica was opened:
// while it stands still, a look at the rights gives what the last look gave.
func (s *Store) RightsMoves() uint64 { return s.rightsMoves.Load() }

// Boot was drawn when this store was opened: two at once of one device are two
// copies of its folder.
func (s *Store) Boot() []byte { return s.boot }

// Device is the id of the device that writes here.
func (s *Store) Device() []byte { return s.device }

// PublicKey is the key of the device that writes here.
func (s *Store) PublicKey() ed25519.PublicKey { return s.public }

// Logs lists what is known of every log, by log id.
func (s *Store) Logs() []LogInfo { return s.logs.list() }

// Log is what is known of one log.
func (s *Store) Log(id event.LogID) (LogInfo, bool) { return s.logs.Log(id) }

// Stamp counts the changes of what is held of a log: while it stands still, a run
// reads as it did before.
func (s *Store) Stamp(id event.LogID) uint64 { return s.logs.stamp(id) }

// MovedSince lists the logs that moved after a count, each once, and the count
// to go on from. all says that too many moved to list them: look at every log.
func (s *Store) MovedSince(after uint64) (logs []event.LogID, upto uint64, all bool) {
	return s.logs.movedSince(after)
}

// Records counts the records saved here.
func (s *Store) Records() int64 { return s.logs.records() }

// OwnLogs are the logs this device writes now.
func (s *Store) OwnLogs() []event.LogID { return s.author.logs() }

// Scrub reads the whole journal once and notes what cannot be read, so that it is
// fetched again from other replicas before anybody asks for it. Open reads only
// the newest segment whole.
func (s *Store) Scrub(ctx context.Context) error {
	return s.truth.Scan(journal.Position{}, func(journal.Position, []byte) error {
		return ctx.Err()
	}, func(from, to journal.Position, reason string) error {
		s.damaged(from, to, reason)
		return ctx.Err()
	})
}
