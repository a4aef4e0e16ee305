package store

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Options open a replica.
type Options struct {
	Dir        string             // holds journal/, index/ and aside/
	FS         journal.FS         // nil: the disk
	Index      index.Index        // nil: Badger in Dir/index
	Key        []byte             // 32 bytes encrypt the journal; nil: plain. Decided at creation
	IndexKey   []byte             // 32 bytes encrypt the index; the journal's when nil
	KeyID      string             // names the key in the clear
	Clock      clock.Clock        // required
	Random     io.Reader          // nil: crypto/rand
	Device     ed25519.PrivateKey // signs what this replica writes
	DeviceName string
	// Founding is the record that founded the practice that this replica joined;
	// zero before it joined one: then the first founding in written order counts.
	Founding   event.Hash
	Version    string // of the program; stands in every header
	Logger     *slog.Logger
	SegmentMax int // bytes of a journal segment; 0: its default
	// StrangerBytes bounds what is kept of logs of laptops that are not of this
	// practice, when a laptop pushes them (IngestFrom); 0: no bound.
	StrangerBytes int64

	// Tests make these small, or say how the index they hand over was closed.
	behind  uint64
	unclean bool
}

// Errors that callers tell apart.
var (
	ErrClosed   = errors.New("this replica is closed")
	ErrNotFound = errors.New("no such record here")
	ErrLocked   = index.ErrLocked
)

// Store is an open replica. Its methods are safe for concurrent use.
type Store struct {
	opt     Options
	journal *journal.Journal
	index   index.Index
	public  ed25519.PublicKey
	device  []byte
	boot    []byte

	queue  writeQueue // callers of Append and Ingest that wait for the writer
	writer sync.Mutex // held by the one that commits

	// mu guards the tables below: what the journal holds, in memory.
	mu       sync.RWMutex
	logs     map[event.LogID]*logState    // bounded by the practice's devices
	own      map[pb.Lane]event.LogID      // the logs this device writes now
	seen     map[event.LogID]exchange.Tip // tips that came since our last record
	hlc      int64                        // newest hybrid clock in the journal
	hubUs    int64                        // newest hub statement's time
	servers  [][]byte                     // ids of the practice's server and those before it, by the folded rights
	knows    *ledger.Rights               // the folded rights, to tell our logs from those of strangers
	brought  map[exchange.DeviceID]int64  // bytes of strangers' logs that each laptop brought since the start
	wallUs   int64                        // wall clock of our last record
	offset   *pb.ClockOffset              // last measurement against the hub
	repairs  []string                     // what was found and mended, for people
	holes    []journal.Range              // the stretches in question
	suspect  map[event.LogID]bool         // logs that may have records that cannot be read
	plain    map[event.LogID]bool         // logs whose gaps could not be refilled one by one
	doubt    bool                         // damage may have met the logs this device writes
	since    journal.Position             // where those logs begin
	pending  bool                         // entities are left to be folded again
	granted  uint64                       // counts records that touch rights
	moves    moves                        // which logs moved lately
	changed  chan struct{}                // closed and replaced when something came or was folded
	changes  uint64                       // how often that happened
	saved    chan struct{}                // closed and replaced when something came
	closed   bool
	fresh    []located // committed and not yet applied, contiguous, bounded
	freshGap bool      // fresh does not reach back to the cursor

	applier sync.Mutex // held by the one that moves the cursor
	cursor  cursor
	rights  *ledger.Rights
	// expressed is the newest record that was applied out of its turn.
	expressed journal.Position
	batch     int  // records in the next apply transaction
	unclean   bool // the index was not closed well
}

// located is a record and where it lies.
type located struct {
	rec  *event.Record
	pos  journal.Position
	next journal.Position
}

// maxRepairs bounds the list of repairs that people are shown.
const maxRepairs = 50

// Open opens the replica in opt.Dir or begins one, applies what the index lacks,
// and opens this device's logs where there are none to go on with.
func Open(ctx context.Context, opt Options) (*Store, error) {
	s, err := prepare(opt)
	if err != nil {
		return nil, err
	}
	if err := s.openIndex(); err != nil {
		return nil, err
	}
	if err := s.openJournal(); err != nil {
		return nil, errors.Join(err, s.index.Close())
	}
	if err := s.restoreWithRoom(ctx); err != nil {
		return nil, errors.Join(err, s.journal.Close(), s.index.Close())
	}
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
		logs: map[event.LogID]*logState{}, own: map[pb.Lane]event.LogID{},
		seen: map[event.LogID]exchange.Tip{}, brought: map[exchange.DeviceID]int64{}, changed: make(chan struct{}), saved: make(chan struct{}), batch: firstBatch,
		suspect: map[event.LogID]bool{}, plain: map[event.LogID]bool{}, unclean: opt.unclean, pending: true,
	}
	if s.opt.behind == 0 {
		s.opt.behind = fourTables
	}
	if _, err := io.ReadFull(opt.Random, s.boot); err != nil {
		return nil, fmt.Errorf("store: no randomness: %w", err)
	}
	return s, nil
}

func (s *Store) openIndex() error {
	if s.opt.Index != nil {
		s.index = s.opt.Index
		return nil
	}
	ix, opened, err := index.Open(index.Options{Dir: filepath.Join(s.opt.Dir, "index"), Key: s.opt.IndexKey, Logger: s.opt.Logger})
	if errors.Is(err, index.ErrNoSpace) {
		s.repaired(noRoom)
		s.index = index.NewMemory()
		return nil
	}
	if err != nil {
		return fmt.Errorf("open the index in %s: %w", s.opt.Dir, err)
	}
	s.index = ix
	s.unclean = opened.State != index.Clean
	if opened.State == index.Rebuilt {
		s.repaired("the index was damaged and is built again from the journal: %s", opened.Reason)
	}
	return nil
}

func (s *Store) openJournal() error {
	j, report, err := journal.Open(journal.Options{
		FS: s.opt.FS, Dir: filepath.Join(s.opt.Dir, "journal"), Key: s.opt.Key, KeyID: s.opt.KeyID,
		Now: s.opt.Clock.Now, Rand: s.opt.Random, SegmentBytes: s.opt.SegmentMax,
	})
	if err != nil {
		return fmt.Errorf("open the journal in %s: %w", s.opt.Dir, err)
	}
	s.journal = j
	for _, d := range report.Damaged {
		s.damage(d.From, d.To, d.Reason)
	}
	if report.TornBytes > 0 {
		s.repaired("%d bytes at the end of the journal were not finished when the machine stopped; nobody had been told they were saved", report.TornBytes)
	}
	return nil
}

// entitle takes over newly folded rights.
func (s *Store) entitle(r *ledger.Rights) {
	s.rights = r
	s.mu.Lock()
	defer s.mu.Unlock()
	s.knows = r
	if s.servers = nil; r.Founded() {
		s.servers = r.Servers
	}
}

// repaired notes what a person should know, at most maxRepairs lines.
func (s *Store) repaired(format string, args ...any) {
	line := fmt.Sprintf(format, args...)
	s.opt.Logger.Warn(line)
	if len(s.repairs) < maxRepairs && !slices.Contains(s.repairs, line) {
		s.repairs = append(s.repairs, line)
	}
}

// maxHoles bounds the damaged stretches that are told apart.
const maxHoles = 1000

// damage notes a stretch of the journal that cannot be read; mu is held, or
// nobody else is there yet. Records of this device that lay there may be gone for
// good, so its logs are not written on: the next record opens new ones.
func (s *Store) damage(from, to journal.Position, reason string) {
	known := slices.ContainsFunc(s.holes, func(h journal.Range) bool {
		return h.From.Compare(from) <= 0 && to.Compare(h.To) <= 0
	})
	if known || len(s.holes) == maxHoles {
		return
	}
	s.holes = append(s.holes, journal.Range{From: from, To: to, Reason: reason})
	for id := range s.logs {
		s.suspect[id] = true
	}
	s.doubt = s.doubt || to.Compare(s.since) > 0
	s.repaired("the journal is damaged from %s to %s (%s); other replicas can refill what lay there", from, to, reason)
}

// damagedAt notes a record that turned out to be unreadable.
func (s *Store) damagedAt(p journal.Position, reason error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.damage(p, p, reason.Error())
}

// Close stops the replica. What was acknowledged is on the disk already.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	s.savedLocked()
	s.mu.Unlock()
	s.writer.Lock()
	defer s.writer.Unlock()
	s.applier.Lock()
	defer s.applier.Unlock()
	return errors.Join(s.journal.Close(), s.index.Close())
}

// Changed is closed when a record was saved or folded after the call.
func (s *Store) Changed() <-chan struct{} {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.changed
}

// Changes counts what came and what was folded: between two equal counts nothing
// changed.
func (s *Store) Changes() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.changes
}

// Saved is closed when a record was saved after the call.
func (s *Store) Saved() <-chan struct{} {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.saved
}

// RightsMoves counts the records that touch rights since the replica was opened:
// while it stands still, a look at the rights gives what the last look gave.
func (s *Store) RightsMoves() uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.granted
}

// Behind counts the records that are saved and not yet folded.
func (s *Store) Behind() int { return s.behindBy() }

// savedLocked wakes whoever waits for new records, and for any change.
func (s *Store) savedLocked() {
	close(s.saved)
	s.saved = make(chan struct{})
	s.wakeLocked()
}

func (s *Store) wakeLocked() {
	close(s.changed)
	s.changed = make(chan struct{})
	s.changes++
}

// Device is the id of the device that writes here.
func (s *Store) Device() []byte { return s.device }

// PublicKey is the key of the device that writes here.
func (s *Store) PublicKey() ed25519.PublicKey { return s.public }

// Repairs says what was found damaged and mended since the replica was opened.
func (s *Store) Repairs() []string {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.Clone(s.repairs)
}

// Logs lists what is known of every log, by log id.
func (s *Store) Logs() []LogInfo {
	s.mu.RLock()
	defer s.mu.RUnlock()
	out := make([]LogInfo, 0, len(s.logs))
	for _, l := range s.logs {
		out = append(out, *l.LogInfo.clone())
	}
	slices.SortFunc(out, func(a, b LogInfo) int { return a.ID.Compare(b.ID) })
	return out
}

// Log is what is known of one log.
func (s *Store) Log(id event.LogID) (LogInfo, bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	l, ok := s.logs[id]
	if !ok {
		return LogInfo{}, false
	}
	return *l.LogInfo.clone(), true
}

// OwnLogs are the logs this device writes now.
func (s *Store) OwnLogs() []event.LogID {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []event.LogID
	for _, lane := range []pb.Lane{pb.Lane_LANE_ORDINARY, pb.Lane_LANE_URGENT} {
		if id, ok := s.own[lane]; ok {
			out = append(out, id)
		}
	}
	return out
}

// SetClockOffset keeps the last measurement of this clock against the hub's; it
// stands in every header from now on.
func (s *Store) SetClockOffset(o *pb.ClockOffset) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.offset = o
}

// ClockOffset is the last measurement, nil when there is none.
func (s *Store) ClockOffset() *pb.ClockOffset {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.offset
}

// Records counts the records saved here.
func (s *Store) Records() int64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var n int64
	for _, l := range s.logs {
		n += int64(l.Tip.Seq) + 1
	}
	return n
}

// Scrub reads the whole journal once and notes what cannot be read, so that it is
// fetched again from other replicas before anybody asks for it. Open reads only
// the newest segment whole.
func (s *Store) Scrub(ctx context.Context) error {
	return s.journal.Scan(journal.Position{}, func(journal.Position, []byte) error {
		return ctx.Err()
	}, func(from, to journal.Position, reason string) error {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.damage(from, to, reason)
		return ctx.Err()
	})
}
