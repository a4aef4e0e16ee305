package journal

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"sync"
	"time"
)

// The errors a caller can act on; test with errors.Is.
var (
	// ErrDamaged: the bytes at a position do not match their checksum or seal.
	ErrDamaged = errors.New("journal: damaged")
	// ErrUnreadable is the ErrDamaged of a disk that cannot read what lies there: that
	// proves nothing of what it is.
	ErrUnreadable = fmt.Errorf("%w: the disk cannot read it", ErrDamaged)
	// ErrNotFound: no acknowledged frame starts there.
	ErrNotFound = errors.New("journal: no frame at this position")
	// ErrKey: the journal and the key given do not belong together.
	ErrKey = errors.New("journal: wrong key")
	// ErrFormat: the files were written by a program this one does not understand.
	ErrFormat = errors.New("journal: unknown format")
	// ErrNewer: by a later one, in a format to come.
	ErrNewer = fmt.Errorf("%w: a newer version of this program wrote this: start that version again, or use the copy of the folder made before it came", ErrFormat)
	// ErrTooLarge: a frame or a batch is empty or over its bound; nothing was written.
	ErrTooLarge = errors.New("journal: size refused")
	// ErrClosed: the journal was closed.
	ErrClosed = errors.New("journal: closed")
	// ErrReadOnly: the journal was opened to be read only.
	ErrReadOnly = errors.New("journal: read only")
)

const (
	// MaxCommit is the most that one Commit takes, in bytes on the disk.
	MaxCommit = 16 << 20

	defaultSegmentBytes = 64 << 20
	minSegmentBytes     = 4 << 10
	maxSegmentBytes     = 1 << 30
)

// Options say where a journal is and how to read it.
type Options struct {
	FS           FS
	Dir          string
	Key          []byte // nil for plain, or 32 bytes; decided when the journal is created
	KeyID        string // names the key, at most 16 bytes; stored in the clear
	SegmentBytes int    // a new segment is begun past this size; 0 means 64 MiB
	Now          func() time.Time
	Rand         io.Reader // for encrypted journals; nil means crypto/rand
	// Synced is told how long each sync of records took, by Elapsed; nil: nobody is.
	Synced  func(took time.Duration)
	Elapsed func() time.Duration
	// ReadOnly changes nothing on the disk, not even what a crash left undone; an
	// empty KeyID then stands for any. Commit answers ErrReadOnly.
	ReadOnly bool
}

// Journal is an open journal. Its methods are safe for concurrent use.
type Journal struct {
	opt     Options
	keyID   [keyIDBytes]byte
	session [sessionBytes]byte

	// commit guards the writing side: one Commit at a time.
	commit      sync.Mutex
	active      *activeSegment // nil: the next Commit begins a segment
	nextSegment uint32
	buf         []byte // one batch, reused
	reserve     reserve

	// view guards what readers may see. Commit holds it only to publish.
	view    sync.RWMutex
	live    []span // acknowledged bytes, in order
	end     Position
	closed  bool
	readers map[uint32]*reader // open files, at most maxReaders when idle
}

// span is the acknowledged part of one segment: [headerBytes, limit).
type span struct {
	segment   uint32
	limit     uint32
	missing   bool // the file is gone
	badHeader bool // the file's header is damaged; its frames may be fine
	loose     bool // no header says where it ended: it may have been cut at limit

	// unsettled is where bytes begin, up to limit, that may not be on the disk and
	// could not be put there; 0: all are. Until they are there, nobody reads them.
	unsettled uint32
}

// Range is a stretch of damaged bytes; To is the first position after it.
type Range struct {
	From, To Position
	Reason   string
}

// Report is what Open found. It verifies every segment's header and length, and
// every frame of the last segment; Scan verifies the rest.
type Report struct {
	Segments  int
	TornBytes int64 // unreadable bytes at the very end: written, never acknowledged
	Damaged   []Range
	End       Position
}

// Open opens the journal in opt.Dir, or begins one there. Everything it finds
// is synced before it returns, so that what readers see survives a power cut.
// It deletes and truncates nothing. With ReadOnly it writes nothing either.
func Open(opt Options) (*Journal, Report, error) {
	j, err := newJournal(opt)
	if err != nil {
		return nil, Report{}, err
	}
	if !opt.ReadOnly {
		if err := j.opt.FS.MkdirAll(j.opt.Dir); err != nil {
			return nil, Report{}, fmt.Errorf("journal: %w", err)
		}
	}
	report, err := j.load()
	if err != nil {
		return nil, Report{}, fmt.Errorf("journal: open %s: %w", j.opt.Dir, err)
	}
	if !opt.ReadOnly {
		j.reserve.fill(j.opt.Now())
	}
	return j, report, nil
}

// newJournal checks the options and draws the session.
func newJournal(opt Options) (*Journal, error) {
	if opt.SegmentBytes == 0 {
		opt.SegmentBytes = defaultSegmentBytes
	}
	if opt.Rand == nil {
		opt.Rand = rand.Reader
	}
	if err := opt.check(); err != nil {
		return nil, err
	}
	j := &Journal{opt: opt, nextSegment: 1, readers: map[uint32]*reader{}}
	j.reserve = reserve{fs: opt.FS, dir: opt.Dir}
	if opt.Key == nil {
		return j, nil
	}
	copy(j.keyID[:], opt.KeyID)
	if _, err := io.ReadFull(opt.Rand, j.session[:]); err != nil {
		return nil, fmt.Errorf("journal: no randomness for the session: %w", err)
	}
	return j, nil
}

func (opt Options) check() error {
	switch {
	case opt.FS == nil || opt.Dir == "" || opt.Now == nil:
		return errors.New("journal: FS, Dir and Now are required")
	case opt.Synced != nil && opt.Elapsed == nil:
		return errors.New("journal: Synced needs Elapsed")
	case opt.Key != nil && len(opt.Key) != keyBytes:
		return fmt.Errorf("%w: a key is %d bytes, not %d", ErrKey, keyBytes, len(opt.Key))
	case len(opt.KeyID) > keyIDBytes:
		return fmt.Errorf("%w: a key id is at most %d bytes", ErrKey, keyIDBytes)
	case opt.SegmentBytes < minSegmentBytes || opt.SegmentBytes > maxSegmentBytes:
		return fmt.Errorf("journal: SegmentBytes %d is outside %d to %d", opt.SegmentBytes, minSegmentBytes, maxSegmentBytes)
	}
	return nil
}

// End is the position after the last acknowledged frame; zero when there is none.
func (j *Journal) End() Position {
	j.view.RLock()
	defer j.view.RUnlock()
	return j.end
}

// ReserveUsed reports that the disk was full and the reserve is not in place.
// The caller should say so to a person.
func (j *Journal) ReserveUsed() bool {
	j.commit.Lock()
	defer j.commit.Unlock()
	return !j.reserve.held
}

// Free is how many bytes are left on the journal's disk, without the reserve.
func (j *Journal) Free() (uint64, error) { return j.opt.FS.Free(j.opt.Dir) }

// Room says how much can still be committed, about, in bytes: what is left on the
// disk and the reserve.
func (j *Journal) Room() (uint64, error) {
	free, err := j.Free()
	if err == nil && !j.ReserveUsed() {
		free += reserveBytes
	}
	return free, err
}

// Size is how many bytes the journal takes on the disk, without the reserve.
func (j *Journal) Size() (size int64, err error) {
	entries, err := j.opt.FS.ReadDir(j.opt.Dir)
	for _, e := range entries {
		if _, ok := segmentNumber(e.Name); ok {
			size += e.Size
		}
	}
	return size, err
}

// Close releases the files. Everything acknowledged is already on the disk.
func (j *Journal) Close() error {
	j.commit.Lock()
	defer j.commit.Unlock()
	j.view.Lock()
	defer j.view.Unlock()
	if j.closed {
		return nil
	}
	j.closed = true
	errs := []error{j.active.close()}
	j.active = nil
	for n, r := range j.readers {
		if r.uses == 0 {
			errs = append(errs, r.file.Close())
			delete(j.readers, n)
		}
	}
	return errors.Join(errs...)
}

func (j *Journal) path(segment uint32) string {
	return filepath.Join(j.opt.Dir, segmentName(segment))
}

func (j *Journal) cipherID() byte {
	if j.opt.Key == nil {
		return cipherNone
	}
	return cipherAESGCM
}
