// Package wholefile writes small files so that they are whole or absent.
//
// A new file is written and synced under a name of its own, renamed over the
// old one, and the folder is synced where the system can. A crash at any point
// leaves the old file or the new one, never a part of either.
package wholefile

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Write replaces the file at path durably. Only this user may read it. Its
// folder is made, for this user only, when it is absent.
func Write(path string, data []byte) error {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	f, err := os.CreateTemp(dir, filepath.Base(path)+".new-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", path, err), os.Remove(f.Name()))
	}
	return syncDir(dir)
}

// syncDir makes a rename durable. Windows cannot sync a folder; there the rename
// itself is written through by the file system's journal.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !isWindows {
		return fmt.Errorf("sync %s: %w", dir, err)
	}
	return nil
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
