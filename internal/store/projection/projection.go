package projection

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Options open a projection.
type Options struct {
	Dir      string            // of the replica; the index lies in index/
	Index    index.Index       // nil: Badger in Dir/index
	Key      []byte            // 32 bytes encrypt the index; nil: plain
	Device   ed25519.PublicKey // whose records are applied with priority, and whose requests are found again
	Founding event.Hash        // of the practice that this replica joined; zero before
	Logger   *slog.Logger
	Elapsed  func() time.Duration // time since any start; see index.Options
	Logs     Logs

	// What the projection tells; none of it may ask the projection in turn.
	Damaged  func(from, to journal.Position, reason string) // a stretch of the journal cannot be read
	Repaired func(line string)                              // what a person should know
	Applied  func()                                         // state was folded

	Behind  uint64 // how far back applying starts after an unclean stop, in bytes of rows; 0: as far as the index may have lost
	Far     int    // how many records behind the index gathers what it is given; 0: farRecords
	Unclean bool   // an index that was handed over was not closed well

	// Turn is waited for before each step of a fold that has many left. alone: the step keeps
	// to one core, because others wait for the rest. nil: there is no need to wait.
	Turn func() (alone bool, done func())
}

// Journal is what the projection reads: all that it holds can be built from it.
type Journal interface {
	End() journal.Position
	ReadAt(at journal.Position, buf []byte) (frame []byte, next journal.Position, err error)
	Scan(from journal.Position, fn func(journal.Position, []byte) error, onDamage func(from, to journal.Position, reason string) error) error
}

// Shared is a journal that others open too, one after the other, and that may have been put
// back to an earlier image: what was written there since may look the same at its end.
type Shared interface {
	// Opening names this opening of it.
	Opening() []byte
	// Since is the earliest end that it had at an opening after the named one. ok is false
	// when it does not know that one: it is too long ago, or was after that image.
	Since(opening []byte) (end journal.Position, ok bool, err error)
}

// Logs is what the projection asks of the table of logs. Both answer from memory.
type Logs interface {
	// Log is a log as it was committed.
	Log(event.LogID) (LogInfo, bool)
	// IsEnd says that a record is known to be held because a log ends with it.
	IsEnd(event.LogID, exchange.Tip) bool
	// IsWhole says that no damage is known of a log.
	IsWhole(event.LogID) bool
}

// Errors that callers tell apart.
var (
	ErrClosed   = errors.New("this replica is closed")
	ErrNotFound = errors.New("no such record here")
	// ErrUnread: a record lies here and cannot be read, now or until it is refilled.
	ErrUnread = errors.New("this machine's disk cannot read it")
)

// Projection keeps an index in step with a journal. Its methods are safe for
// concurrent use once Restore has returned.
type Projection struct {
	opt     Options
	index   index.Index  // set by Open and Restore
	cover   *index.Cover // the index, once Restore has read it
	journal Journal      // set by Restore
	unclean bool         // the index was not closed well; read by Restore
	torn    bool         // a writing down did not end, and rows ahead of the cursor are there; read by Restore
	kept    bool         // the index was there before, and went on; set by Restore

	backlog backlog // has a lock of its own
	folded  atomic.Pointer[ledger.Rights]
	trouble atomic.Pointer[error] // why the index cannot be written; nil while it can
	closed  atomic.Bool
	doubted atomic.Bool // damage was found since what is remembered was read

	applier turnstile // held by the one that moves the cursor, through a whole transaction; guards the fields below

	alone       bool // the step that is on keeps to one core
	cursor      cursor
	rights      *ledger.Rights
	prioritized journal.Position // the newest record that was applied out of its turn
	batch       int              // records in the next transaction
	twice       journal.Position // what lies before may be applied a second time
	recent      recentTips       // records that were applied last
	read        readRecords      // on the way to the end of the journal
	rests       readRecords      // on which the state of logs rests
	base        cursor           // as it lies on the disk while the index gathers

	settling sync.Mutex // one Settle at a time, taken before the applier; guards the field below
	loose    bool       // what was settled last, or emptied, is not known to outlive a stop of the machine
}

// Open opens the index. Nothing can be asked before Restore.
func Open(opt Options) (*Projection, error) {
	if opt.Behind == 0 {
		opt.Behind = fourTables
	}
	if opt.Far == 0 {
		opt.Far = farRecords
	}
	p := &Projection{opt: opt, index: opt.Index, unclean: opt.Unclean, batch: mostBatch, recent: recentTips{},
		rests:   readRecords{most: maxRests, mostBytes: maxRestsBytes},
		backlog: backlog{tails: map[event.LogID][]tailEntry{}, most: maxFreshBytes, unfolded: true}}
	if opt.Index != nil {
		return p, nil
	}
	return p, p.openIndex()
}

func (p *Projection) openIndex() error {
	ix, opened, err := index.Open(index.Options{Dir: filepath.Join(p.opt.Dir, "index"), Key: p.opt.Key, Logger: p.opt.Logger, Elapsed: p.opt.Elapsed})
	if errors.Is(err, index.ErrNoSpace) {
		p.covered(err)
		p.index = index.NewMemory()
		return nil
	}
	if err != nil {
		return fmt.Errorf("open the index in %s: %w", p.opt.Dir, err)
	}
	p.index = ix
	p.unclean = opened.State != index.Clean
	if opened.State == index.Rebuilt {
		p.opt.Repaired("the index was damaged and is built again from the journal: " + opened.Reason)
	}
	return nil
}

// Rights are the practice's rights as they are folded; nil before any were.
func (p *Projection) Rights() *ledger.Rights { return p.folded.Load() }

// Last is a record that is applied, and where it lies; both are zero when none is.
func (p *Projection) Last() (journal.Position, event.Hash) {
	p.applier.Lock()
	defer p.applier.Unlock()
	return p.cursor.last.pos, p.cursor.last.hash
}

// entitle takes over newly folded rights; the applier is held.
func (p *Projection) entitle(r *ledger.Rights) {
	p.rights = r
	p.folded.Store(r)
}

// Close waits for the transaction that is under way, and closes the index.
func (p *Projection) Close() error {
	p.closed.Store(true)
	p.applier.Lock()
	defer p.applier.Unlock()
	return p.index.Close()
}
