package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"thawtrail/internal/wholefile"
)

// OSFS is the real disk. os.File.Sync is fsync on Linux, F_FULLFSYNC on macOS
// and FlushFileBuffers on Windows.
type OSFS struct{}

// MkdirAll makes dir for its owner only and syncs the parent it appears in.
func (OSFS) MkdirAll(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return noSpace(err)
	}
	return syncDir(filepath.Dir(filepath.Clean(dir)))
}

// Create makes a new file that only its owner may read.
func (OSFS) Create(path string) (File, error) {
	return open(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
}

// OpenRead opens a file for reading.
func (OSFS) OpenRead(path string) (File, error) { return open(path, os.O_RDONLY) }

// OpenWrite opens a file for writing. Not O_APPEND: on Windows that takes away
// the right that a flush is documented to need.
func (OSFS) OpenWrite(path string) (File, error) { return open(path, os.O_WRONLY) }

// Remove deletes a file.
func (OSFS) Remove(path string) error { return os.Remove(path) }

// SyncDir makes names durable; see syncDir for each platform.
func (OSFS) SyncDir(dir string) error { return syncDir(dir) }

// Free asks the file system.
func (OSFS) Free(dir string) (uint64, error) { return wholefile.FreeBytes(dir) }

// ReadDir lists files with their sizes.
func (OSFS) ReadDir(dir string) ([]Entry, error) {
	list, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	entries := make([]Entry, 0, len(list))
	for _, d := range list {
		info, err := d.Info()
		if errors.Is(err, fs.ErrNotExist) || d.IsDir() {
			continue
		}
		if err != nil {
			return nil, err
		}
		entries = append(entries, Entry{Name: d.Name(), Size: info.Size()})
	}
	return entries, nil
}

func open(path string, flag int) (File, error) {
	f, err := os.OpenFile(path, flag, 0o600)
	if err != nil {
		return nil, noSpace(err)
	}
	return osFile{f}, nil
}

// osFile adds ErrNoSpace to the errors of a full disk.
type osFile struct{ *os.File }

func (f osFile) WriteAt(p []byte, off int64) (int, error) {
	n, err := f.File.WriteAt(p, off)
	return n, noSpace(err)
}

func (f osFile) Sync() error { return noSpace(f.File.Sync()) }

func noSpace(err error) error {
	if wholefile.Full(err) {
		return fmt.Errorf("%w: %w", ErrNoSpace, err)
	}
	return err
}
