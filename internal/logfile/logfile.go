// Package logfile keeps a log in files of bounded size, for systems that keep none
// themselves: the file that grows, and older ones beside it with a number behind their
// name, the newest with 1.
package logfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"thawtrail/internal/wholefile"
)

// Bounds of one log on the disk: about 20 MB in all.
const (
	maxBytes = 4 << 20
	older    = 4
)

// File is a log that is open. It may be written by many at once.
type File struct {
	path string
	most int64

	mu   sync.Mutex // guards what follows
	open *os.File
	size int64
}

// Open opens a log and goes on where it ended. Its folder is made when it is absent.
func Open(path string) (*File, error) { return openBounded(path, maxBytes) }

func openBounded(path string, most int64) (*File, error) {
	if err := wholefile.MakeFolder(filepath.Dir(path)); err != nil {
		return nil, fmt.Errorf("log file: %w", err)
	}
	f := &File{path: path, most: most}
	return f, f.reopen()
}

func (f *File) reopen() (err error) {
	if f.open, err = os.OpenFile(f.path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600); err != nil {
		return fmt.Errorf("log file: %w", err)
	}
	info, err := f.open.Stat()
	if err != nil {
		return fmt.Errorf("log file: %w", err)
	}
	f.size = info.Size()
	return nil
}

// Write implements io.Writer: one call is one line, which is never divided between files.
func (f *File) Write(line []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.size > 0 && f.size+int64(len(line)) > f.most {
		if err := f.turn(); err != nil {
			return 0, err
		}
	}
	n, err := f.open.Write(line)
	f.size += int64(n)
	return n, err
}

// turn moves each file to the next number; the oldest goes.
func (f *File) turn() error {
	if err := f.open.Close(); err != nil {
		return err
	}
	for i := older; i > 0; i-- {
		from := f.path
		if i > 1 {
			from = numbered(f.path, i-1)
		}
		if err := os.Rename(from, numbered(f.path, i)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return errors.Join(err, f.reopen()) // it grows on: a log that is too long is better than none
		}
	}
	return f.reopen()
}

func numbered(path string, n int) string { return fmt.Sprintf("%s.%d", path, n) }

// Close closes it.
func (f *File) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.open.Close()
}
