package index

import (
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"thawtrail/internal/wholefile"
)

// State says in what condition an index was found.
type State int

// The states. Only after Clean does the index hold everything it was given.
const (
	// Fresh: there was none; it is empty.
	Fresh State = iota
	// Clean: it was closed well and every byte of its files is as it was then.
	Clean
	// Unclean: the process or the machine stopped without closing it. The last
	// updates can be missing, and so can earlier ones: Badger fills several
	// write-ahead logs one after another and cuts each at its first bad record,
	// so damage in an older one loses updates from the middle while newer ones
	// stay. This cannot be seen here. Whoever uses the index applies its journal
	// again from at least four tables in memory behind its cursor.
	Unclean
	// Rebuilt: it was damaged, was put aside, and the present one is empty.
	Rebuilt
)

// String is for logs.
func (s State) String() string {
	return [...]string{"fresh", "clean", "unclean", "rebuilt"}[s]
}

// Opened is what Open found and did.
type Opened struct {
	State   State
	Reason  string // why it was Rebuilt
	MovedTo string // where the damaged one lies now
	Removed string // the oldest one put aside, when it was removed to make room
}

// Options say where an index is.
type Options struct {
	Dir           string
	Key           []byte // nil, or 32 bytes to encrypt; decided when the index is made
	MemTableBytes int64  // 0 means 4 MiB, which is the least
	Logger        *slog.Logger

	// Elapsed is time since any start, to see how fast the room on the disk goes; nil: it
	// is not looked at.
	Elapsed func() time.Duration

	free func(dir string) (uint64, error) // bytes left on the disk; set by tests
}

// Open opens the index in opt.Dir, or makes one there. A damaged one is moved
// aside inside Dir, never changed, and an empty one takes its place; the last
// three are kept. ErrLocked, ErrWrongKey and ErrNoSpace leave everything as it was.
func Open(opt Options) (Index, Opened, error) {
	if opt.MemTableBytes == 0 {
		opt.MemTableBytes = defaultMemTable
	}
	if opt.free == nil {
		opt.free = wholefile.FreeBytes
	}
	if opt.Elapsed == nil {
		opt.Elapsed = func() time.Duration { return 0 }
	}
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	if opt.MemTableBytes < defaultMemTable || opt.Key != nil && len(opt.Key) != 32 {
		return nil, Opened{}, fmt.Errorf("index: MemTableBytes %d or a key of %d bytes refused; expected at least %d, and 32 or none",
			opt.MemTableBytes, len(opt.Key), defaultMemTable)
	}
	f, err := lockFolder(opt)
	if err != nil {
		return nil, Opened{}, err
	}
	d, opened, err := f.open()
	if err != nil {
		return nil, Opened{}, errors.Join(fmt.Errorf("index: open %s: %w", opt.Dir, err), f.unlock())
	}
	return d, opened, nil
}

// open decides what is there, puts it aside when it cannot be trusted, and
// opens what is left. The clean mark is gone before Badger touches a file.
func (f *folder) open() (*disk, Opened, error) {
	if err := f.checkKey(); err != nil {
		return nil, Opened{}, err
	}
	opened, err := f.inspect()
	if err != nil {
		return nil, opened, err
	}
	if err := f.beginOpening(); err != nil {
		return nil, opened, err
	}
	db, err := openBadger(f.tables(), f.opt, opened.State)
	if err != nil {
		if err = hostError(err); !errors.Is(err, errDamage) {
			return nil, opened, errors.Join(err, f.endOpening())
		}
		if opened, err = f.putAside("it could not be opened: " + err.Error()); err != nil {
			return nil, opened, err
		}
		if db, err = openBadger(f.tables(), f.opt, opened.State); err != nil {
			return nil, opened, err
		}
	}
	if err := f.endOpening(); err != nil {
		return nil, opened, errors.Join(err, db.Close())
	}
	return &disk{db: db, folder: f}, opened, nil
}

// errDamage marks an error of Badger that tells of its files.
var errDamage = errors.New("damaged")

// hostError tells damage from trouble of the machine: a disk that is full or may
// not be written, files or memory running out, a lock. Badger gives the system's
// error as text only.
func hostError(err error) error {
	if strings.Contains(err.Error(), "Another process is using this Badger database") {
		return fmt.Errorf("%w: %w", ErrLocked, err)
	}
	for _, host := range hostErrors {
		if errors.Is(err, host) || strings.Contains(err.Error(), host.Error()) {
			return err
		}
	}
	return fmt.Errorf("%w: %w", errDamage, err)
}

// inspect compares what is there with the clean mark.
func (f *folder) inspect() (Opened, error) {
	present, err := f.hasTables()
	if err != nil {
		return Opened{}, err
	}
	mark, marked, err := f.readMark()
	switch {
	case err != nil:
		return Opened{}, err
	case f.crashedOpening():
		return f.putAside("the program stopped twice while opening it")
	case !marked && !present:
		return Opened{State: Fresh}, nil
	case !marked:
		if damage := f.tryTables(); damage != "" {
			return f.putAside("a table of it is damaged: " + damage)
		}
		return Opened{State: Unclean}, nil
	}
	now, err := f.describe()
	if err != nil {
		if err = hostError(err); errors.Is(err, errDamage) {
			return f.putAside("a file of it cannot be read: " + err.Error())
		}
		return Opened{}, err
	}
	if now != mark {
		return f.putAside("its files are not as they were left: " + firstDifference(mark, now))
	}
	return Opened{State: Clean}, nil
}

// firstDifference names the first file that is not the same.
func firstDifference(mark, now string) string {
	was, is := strings.Split(mark, "\n"), strings.Split(now, "\n")
	for i := range was {
		if i >= len(is) || was[i] != is[i] {
			return fmt.Sprintf("%.100q", was[i])
		}
	}
	return "there is a file more"
}
