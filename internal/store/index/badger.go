package index

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/dgraph-io/badger/v4"
	"github.com/dgraph-io/badger/v4/options"

	"thawtrail/internal/wholefile"
)

// disk is an index on the disk: Badger, tuned for a small resident size, with
// every value in its tables and nothing in its value log.
type disk struct {
	db     *badger.DB
	folder *folder
	update sync.Mutex // one update at a time

	// state guards closed and the first step of users: nobody comes in once
	// Close has begun to wait for those inside.
	state  sync.Mutex
	closed bool
	users  sync.WaitGroup
}

// cacheBytes is what encryption needs: without a cache each read decrypts anew.
const cacheBytes = 8 << 20

// checking is when Badger compares the tables with their checksums. Tables of an
// index that was closed well, and those that this run writes, are as they should be:
// the clean mark has just compared every byte, and to read each new table back, only
// to check what was in memory a moment ago, took a third of a catching up. In what an
// unclean stop left, damage must be met before it is merged into other tables, and
// with any other mode a damaged block ends a scan without an error.
func checking(found State) options.ChecksumVerificationMode {
	if found == Unclean {
		return options.OnTableRead
	}
	return options.NoVerification
}

// levelZeroTables is how many flushed tables begin a merge.
const levelZeroTables = 2

// blockBytes is the size of a block of a table, the unit of decrypting.
const blockBytes = 16 << 10

// badgerOptions sets everything that differs from the defaults.
func badgerOptions(dir string, opt Options, found State) badger.Options {
	o := badger.DefaultOptions(dir).
		WithMemTableSize(opt.MemTableBytes).
		WithBaseTableSize(opt.MemTableBytes).
		WithNumMemtables(2).
		WithNumLevelZeroTables(levelZeroTables).
		WithNumLevelZeroTablesStall(4).
		WithNumCompactors(2).
		WithValueThreshold(opt.MemTableBytes * 15 / 100). // the most there can be
		WithValueLogFileSize(1 << 20).
		WithCompression(options.None).
		WithBlockSize(blockBytes).
		WithChecksumVerificationMode(checking(found)).
		WithBlockCacheSize(0).
		WithIndexCacheSize(0).
		WithSyncWrites(false).
		WithNumVersionsToKeep(1).
		WithMetricsEnabled(false).
		WithDetectConflicts(false).
		WithLogger(logAdapter{opt.Logger})
	if opt.Key != nil {
		o = o.WithEncryptionKey(opt.Key).WithBlockCacheSize(cacheBytes).WithIndexCacheSize(cacheBytes)
	}
	return o
}

// openBadger opens the tables; a panic on the way is an error like any other.
func openBadger(dir string, opt Options, found State) (db *badger.DB, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return badger.Open(badgerOptions(dir, opt, found))
}

// enter lets one user in; d.users.Done must follow.
func (d *disk) enter() error {
	d.state.Lock()
	defer d.state.Unlock()
	if d.closed {
		return ErrClosed
	}
	d.users.Add(1)
	return nil
}

// View reads in one Badger transaction.
func (d *disk) View(fn func(Reader) error) error {
	if err := d.enter(); err != nil {
		return err
	}
	defer d.users.Done()
	txn := d.db.NewTransaction(false)
	defer txn.Discard()
	return fn(reader{txn})
}

// Update collects the changes over a snapshot and commits them in one
// transaction. No other update can come between.
func (d *disk) Update(fn func(Writer) error) error {
	d.update.Lock()
	defer d.update.Unlock()
	if err := d.folder.room(); err != nil {
		return err
	}
	d.rest()
	o := &overlay{limit: d.MaxTxnBytes()}
	err := d.View(func(r Reader) error {
		o.base = r
		return fn(o)
	})
	if err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	if err := d.folder.room(); err != nil { // it took a while to get here
		return err
	}
	return d.commit(o)
}

// rest waits, where little room is left, until Badger has written what it was given: so it
// never has more on hand than one update can start.
func (d *disk) rest() {
	if d.enter() != nil {
		return // the update will say so
	}
	defer d.users.Done()
	for range restAtMost / restEvery {
		if !d.folder.scarce() || !d.busy() {
			return
		}
		time.Sleep(restEvery)
	}
}

// busy says that a table waits to be flushed, or that as many wait to be merged as begin a
// merge. Deeper levels may be left too full for long, so they are not asked.
func (d *disk) busy() bool {
	logs, err := d.folder.writeAheadLogs()
	return err == nil && (len(logs) > 1 || d.db.Levels()[0].NumTables >= levelZeroTables)
}

func (d *disk) commit(o *overlay) error {
	if err := d.enter(); err != nil {
		return err
	}
	defer d.users.Done()
	txn := d.db.NewTransaction(true)
	defer txn.Discard()
	for c := range o.changes.all() {
		if err := c.applyTo(txn); err != nil {
			return tooBig(err)
		}
	}
	if err := txn.Commit(); err != nil {
		return tooBig(err)
	}
	return nil
}

func (c change) applyTo(txn *badger.Txn) error {
	if c.deleted {
		return txn.Delete([]byte(c.key))
	}
	return txn.SetEntry(packed(c.key, c.value))
}

func tooBig(err error) error {
	if errors.Is(err, badger.ErrTxnTooBig) {
		return fmt.Errorf("%w: %w", ErrTooBig, err)
	}
	return err
}

// MaxTxnBytes keeps under Badger's own bounds of bytes and of entries.
func (d *disk) MaxTxnBytes() int64 { return d.folder.opt.MemTableBytes*15/100 - 1024 }

// Persist syncs the write-ahead log that Badger writes to. Older ones are not synced:
// each is gone as soon as what it holds lies in a table, and those are. So all will
// outlive a stop when there is one log, the same before and after.
func (d *disk) Persist() (bool, error) {
	if err := d.enter(); err != nil {
		return false, err
	}
	defer d.users.Done()
	before, err := d.folder.writeAheadLogs()
	if err == nil {
		err = d.db.Sync()
	}
	if err != nil {
		return false, err
	}
	after, err := d.folder.writeAheadLogs()
	if err != nil || len(before) != 1 || !slices.Equal(before, after) {
		return false, err
	}
	return true, wholefile.SyncFolder(d.folder.tables())
}

// Close flushes the tables and, when all went well, leaves the clean mark. It
// waits for views and updates to end. On a disk without room it leaves that for when
// there is some: if the process ends before, the stop was an unclean one.
func (d *disk) Close() error {
	d.state.Lock()
	again := d.closed
	d.closed = true
	d.state.Unlock()
	if again {
		return nil
	}
	d.users.Wait()
	closed, err := d.closeIfRoom()
	if !closed {
		d.folder.opt.Logger.Warn("index: not closed yet, the disk is nearly full")
		go d.closeLater()
	}
	return err
}

// closeLater closes as soon as there is room.
func (d *disk) closeLater() {
	for {
		time.Sleep(roomEvery)
		closed, err := d.closeIfRoom()
		if err != nil {
			d.folder.opt.Logger.Error("index: not closed well", "reason", err)
		}
		if closed {
			return
		}
	}
}

func (d *disk) closeIfRoom() (closed bool, err error) {
	d.update.Lock()
	defer d.update.Unlock()
	if errors.Is(d.folder.room(), ErrNoSpace) {
		return false, nil
	}
	if err = d.db.Close(); err == nil {
		err = d.folder.markClean()
	}
	return true, errors.Join(err, d.folder.unlock())
}

// reader is a Badger snapshot.
type reader struct{ txn *badger.Txn }

func (r reader) Get(key []byte) ([]byte, bool, error) {
	item, err := r.item(key)
	if err != nil || item == nil {
		return nil, false, err
	}
	var value []byte
	err = item.Value(func(stored []byte) error {
		value, err = unpacked(stored, item.UserMeta())
		if item.UserMeta() == plainValue {
			value = bytes.Clone(value)
		}
		return err
	})
	return value, err == nil, err
}

func (r reader) Has(key []byte) (bool, error) {
	item, err := r.item(key)
	return item != nil, err
}

// item finds a key; nil when there is none.
func (r reader) item(key []byte) (*badger.Item, error) {
	if len(key) == 0 {
		return nil, nil
	}
	item, err := r.txn.Get(key)
	if errors.Is(err, badger.ErrKeyNotFound) {
		return nil, nil
	}
	return item, err
}

func (r reader) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	if reverse && from != nil && len(from) == 0 {
		return nil // no key is at or before the empty one, and Badger takes it for the end
	}
	opt := badger.IteratorOptions{Reverse: reverse}
	if !reverse {
		opt.Prefix = prefix // tables without such keys are left out
	}
	it := r.txn.NewIterator(opt)
	defer it.Close()
	seek(it, prefix, from, reverse)
	for ; it.Valid(); it.Next() {
		item := it.Item()
		if !bytes.HasPrefix(item.Key(), prefix) {
			return nil
		}
		more := false
		err := item.Value(func(stored []byte) error {
			value, err := unpacked(stored, item.UserMeta())
			if err == nil {
				more, err = fn(item.Key(), value)
			}
			return err
		})
		if err != nil || !more {
			return err
		}
	}
	return nil
}

// seek goes to the first key of a scan. In reverse, Badger goes to the last key
// not after the one given, so the key after the prefix itself is stepped over.
func seek(it *badger.Iterator, prefix, from []byte, reverse bool) {
	if !reverse {
		if bytes.Compare(from, prefix) < 0 {
			from = prefix
		}
		it.Seek(from)
		return
	}
	end := successor(prefix)
	if from != nil && (end == nil || bytes.Compare(from, end) < 0) {
		it.Seek(from)
		return
	}
	it.Seek(end)
	if it.Valid() && bytes.Equal(it.Item().Key(), end) {
		it.Next()
	}
}

// logAdapter hands Badger's warnings and errors to our log; the rest is noise.
type logAdapter struct{ log *slog.Logger }

func (l logAdapter) Errorf(format string, args ...any) {
	l.log.Error("index: " + strings.TrimSpace(fmt.Sprintf(format, args...)))
}

func (l logAdapter) Warningf(format string, args ...any) {
	l.log.Warn("index: " + strings.TrimSpace(fmt.Sprintf(format, args...)))
}

func (logAdapter) Infof(string, ...any)  {}
func (logAdapter) Debugf(string, ...any) {}
