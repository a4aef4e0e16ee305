package index

import (
	"bytes"
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"thawtrail/internal/store/filelock"
	"thawtrail/internal/wholefile"
)

// The names in an index's directory:
//
//	lock      held by the process that has the index open
//	tables/   Badger's files
//	clean     the clean mark: there only while the index is closed and whole
//	opening   one byte for each time in a row that Badger was begun and not reached
//	key       tells whether, and with which key, the index is encrypted
//	aside-N/  tables that were put aside, at most maxAsides
const (
	lockName    = "lock"
	tablesName  = "tables"
	cleanName   = "clean"
	openingName = "opening"
	keyName     = "key"
	asidePrefix = "aside-"

	maxAsides      = 3
	openingCrashes = 2

	markTitle = "thawtrail index, closed clean, 1"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// folder is the directory of an index, locked.
type folder struct {
	opt  Options
	lock io.Closer
	pace pace // asked by Open, and then under the lock of updates
}

// lockFolder makes the directory and takes its lock. Where there is no room the lock is
// not asked for: an index that waits for room to be closed may have it still.
func lockFolder(opt Options) (*folder, error) {
	f := &folder{opt: opt}
	err := wholefile.MakeFolder(opt.Dir)
	if err == nil {
		err = f.room()
	}
	if err != nil {
		return nil, fmt.Errorf("index: %w", err)
	}
	if f.lock, err = filelock.Take(f.path(lockName)); err != nil {
		return nil, fmt.Errorf("%s: %w", opt.Dir, err)
	}
	return f, nil
}

func (f *folder) unlock() error { return f.lock.Close() }

func (f *folder) path(name string) string { return filepath.Join(f.opt.Dir, name) }

func (f *folder) tables() string { return f.path(tablesName) }

func (f *folder) sync() error { return wholefile.SyncFolder(f.opt.Dir) }

// hasTables says whether there is anything to open.
func (f *folder) hasTables() (bool, error) {
	list, err := os.ReadDir(f.tables())
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return len(list) > 0, err
}

// readMark gives the clean mark and whether there is one.
func (f *folder) readMark() (string, bool, error) {
	b, err := os.ReadFile(f.path(cleanName))
	if errors.Is(err, fs.ErrNotExist) {
		return "", false, nil
	}
	return string(b), err == nil, err
}

// describe is the text of the clean mark for the files as they are: one line
// each with checksum, size and name.
func (f *folder) describe() (string, error) {
	lines := []string{markTitle}
	err := f.eachFile(os.O_RDONLY, func(file *os.File) error {
		h := crc32.New(castagnoli)
		size, err := io.Copy(h, file)
		lines = append(lines, fmt.Sprintf("%08x %d %s", h.Sum32(), size, filepath.Base(file.Name())))
		return err
	})
	return strings.Join(lines, "\n") + "\n", err
}

// eachFile opens Badger's files one after another, in order of name.
func (f *folder) eachFile(flag int, fn func(*os.File) error) error {
	list, err := os.ReadDir(f.tables())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, e := range list {
		if strings.HasPrefix(e.Name(), ".") || e.IsDir() {
			continue // left by a file browser; Badger makes no such names
		}
		file, err := os.OpenFile(filepath.Join(f.tables(), e.Name()), flag, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(fn(file), file.Close()); err != nil {
			return err
		}
	}
	return nil
}

// writeAheadLogs are the names of the logs of what is not in tables yet, the newest last.
func (f *folder) writeAheadLogs() (names []string, err error) {
	list, err := os.ReadDir(f.tables())
	for _, e := range list {
		if filepath.Ext(e.Name()) == writeAheadExt {
			names = append(names, e.Name())
		}
	}
	return names, err
}

// writeAheadExt ends the names of Badger's logs of what lies in memory.
const writeAheadExt = ".mem"

// markClean makes Badger's files durable, which Badger does not, and then
// writes the clean mark, whole or not at all.
func (f *folder) markClean() error {
	if err := f.eachFile(os.O_RDWR, (*os.File).Sync); err != nil {
		return err
	}
	mark, err := f.describe()
	if err != nil {
		return err
	}
	return f.writeFile(cleanName, []byte(mark))
}

func (f *folder) writeFile(name string, contents []byte) error {
	return wholefile.Write(f.path(name), contents)
}

func (f *folder) removeFile(name string) error {
	err := os.Remove(f.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return errors.Join(err, f.sync())
}

// beginOpening counts an attempt and takes the clean mark away, before any file
// can change.
func (f *folder) beginOpening() error {
	tries, err := os.ReadFile(f.path(openingName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := f.writeFile(openingName, append(tries, '.')); err != nil {
		return err
	}
	return f.removeFile(cleanName)
}

func (f *folder) endOpening() error { return f.removeFile(openingName) }

// crashedOpening is true when the last attempts all ended inside Badger: some
// damage panics in a goroutine where nothing can recover it.
func (f *folder) crashedOpening() bool {
	tries, err := os.ReadFile(f.path(openingName))
	return err == nil && len(tries) >= openingCrashes
}

// putAside moves the tables out of the way, and the marks with them.
func (f *folder) putAside(reason string) (Opened, error) {
	opened := Opened{State: Rebuilt, Reason: reason}
	present, err := f.hasTables()
	if err != nil {
		return opened, err
	}
	if present {
		asides, next, err := f.asides()
		if err != nil {
			return opened, err
		}
		if len(asides) >= maxAsides {
			opened.Removed = f.path(asides[0])
			if err := os.RemoveAll(opened.Removed); err != nil {
				return opened, err
			}
		}
		opened.MovedTo = f.path(next)
		if err := os.Rename(f.tables(), opened.MovedTo); err != nil {
			return opened, err
		}
	}
	f.opt.Logger.Warn("index: put aside", "reason", reason, "moved_to", opened.MovedTo, "removed", opened.Removed)
	return opened, errors.Join(f.sync(), f.removeFile(cleanName), f.removeFile(openingName))
}

// asides lists what was put aside, oldest first, and the next free name.
func (f *folder) asides() (names []string, next string, err error) {
	list, err := os.ReadDir(f.opt.Dir)
	if err != nil {
		return nil, "", err
	}
	number := 0
	for _, e := range list {
		var n int
		if _, err := fmt.Sscanf(e.Name(), asidePrefix+"%06d", &n); err == nil && e.IsDir() {
			names = append(names, e.Name())
			number = max(number, n)
		}
	}
	slices.Sort(names)
	return names, fmt.Sprintf("%s%06d", asidePrefix, number+1), nil
}

// checkKey refuses a key that the index was not made with, so that a wrong key
// is not taken for damage. A lost or damaged key file is written again.
func (f *folder) checkKey() error {
	want, err := keyFile(f.opt.Key)
	if err != nil {
		return err
	}
	have, err := os.ReadFile(f.path(keyName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if bytes.Equal(have, want) {
		return nil
	}
	if n := len(have) - 9; n > 0 && string(have[n:]) == fmt.Sprintf("%08x\n", crc32.Checksum(have[:n], castagnoli)) {
		return ErrWrongKey
	}
	return f.writeFile(keyName, want)
}

// keyFile is a text that only the holder of the key can make, and its checksum.
func keyFile(key []byte) ([]byte, error) {
	b := []byte("thawtrail index, not encrypted, ")
	if key != nil {
		proof, err := hkdf.Key(sha256.New, key, nil, "thawtrail index key proof 1", 16)
		if err != nil {
			return nil, err
		}
		b = fmt.Appendf(nil, "thawtrail index, encrypted, key proof %x, ", proof)
	}
	return fmt.Appendf(b, "%08x\n", crc32.Checksum(b, castagnoli)), nil
}
