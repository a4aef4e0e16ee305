package wholefile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// fillBuffer is what Fill gathers before it writes: one call for many small pieces.
const fillBuffer = 256 << 10

// Write replaces the file at path. Only this user may read it. Its folder is
// made, for this user only, when it is absent.
func Write(path string, data []byte) error { return realDisk.write(path, data) }

// Fill replaces the file at path with what fill writes, for contents that are too
// large to be held at once. When fill fails, its error is returned and the old
// file stays. The folder must be there: a stick that is not plugged in must not
// become a folder on this disk.
func Fill(path string, fill func(io.Writer) error) error { return realDisk.fill(path, fill) }

// MakeFolder makes a folder and those above it, for this user only, so that they
// survive a power cut.
func MakeFolder(path string) error { return realDisk.makeFolder(filepath.Clean(path)) }

// SyncFolder makes durable which names a folder holds, after one was removed or
// renamed. It does nothing where the system has no such call.
func SyncFolder(path string) error { return realDisk.syncFolder(path) }

// Bytes is how much the files in a folder and below it hold. What cannot be seen is not
// counted.
func Bytes(folder string) (bytes int64) {
	_ = filepath.WalkDir(folder, func(_ string, e fs.DirEntry, err error) error {
		if err != nil {
			return nil
		}
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() {
			bytes += info.Size()
		}
		return nil
	})
	return bytes
}

// OpenPart opens a file that grows over more than one run of the program, for this user
// only, and makes it when it is absent. Finish gives it its name.
func OpenPart(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if !errors.Is(err, fs.ErrNotExist) {
		return f, err
	}
	made, err := createPrivate(filepath.Dir(path), filepath.Base(path)+".new-*")
	if err == nil {
		err = errors.Join(made.Close(), os.Rename(made.Name(), path))
	}
	if err != nil {
		return nil, err
	}
	return os.OpenFile(path, os.O_RDWR, 0)
}

// Finish gives a file that is whole, synced and closed its name, durably.
func Finish(part, path string) error {
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncRename(path)
}

// disk is each step that can fail. Tests put failures into them.
type disk struct {
	mkdir      func(path string) error
	create     func(dir, pattern string) (file, error)
	rename     func(from, to string) error
	remove     func(path string) error
	syncFolder func(path string) error
	syncRename func(path string) error
}

type file interface {
	io.WriteCloser
	Name() string
	Sync() error
}

var realDisk = disk{
	mkdir:      makePrivate,
	create:     createPrivate,
	rename:     os.Rename,
	remove:     os.Remove,
	syncFolder: syncFolder,
	syncRename: syncRename,
}

func (d disk) write(path string, data []byte) error {
	if err := d.makeFolder(filepath.Dir(path)); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return d.fill(path, func(to io.Writer) error {
		_, err := to.Write(data)
		return err
	})
}

func (d disk) fill(path string, fill func(io.Writer) error) error {
	f, err := d.create(filepath.Dir(path), filepath.Base(path)+".new-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	buffered := bufio.NewWriterSize(f, fillBuffer)
	if err := fill(buffered); err != nil {
		return errors.Join(err, f.Close(), d.remove(f.Name()))
	}
	err = errors.Join(buffered.Flush(), f.Sync(), f.Close())
	if err == nil {
		err = d.rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", path, err), d.remove(f.Name()))
	}
	if err := d.syncRename(path); err != nil {
		return fmt.Errorf("%s is written, but a power cut may undo it: %w", path, err)
	}
	return nil
}

// makeFolder makes what is missing from the top down, and syncs each new name.
func (d disk) makeFolder(path string) error {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil
	}
	above := filepath.Dir(path)
	if above != path {
		if err := d.makeFolder(above); err != nil {
			return err
		}
	}
	if err := d.mkdir(path); err != nil && !errors.Is(err, fs.ErrExist) { // another process may have been quicker
		return err
	}
	return d.syncFolder(above)
}

// ErrTooLong is a file that is longer than its kind can be.
var ErrTooLong = errors.New("longer than such a file can be")

// Read reads a small file of at most most bytes. What a stranger may have put
// there cannot fill the memory.
func Read(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("read %s: %w (%d bytes)", path, ErrTooLong, most)
	}
	return data, nil
}
