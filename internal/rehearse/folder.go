package rehearse

import (
	"errors"
	"io"
	"os"
	"path/filepath"

	"thawtrail/internal/store/filelock"
)

const (
	folderName = "thawtrail-rehearsal-"
	lockName   = "rehearsal.lock"
)

// folder is where one rehearsal lies, and nothing else.
type folder struct {
	dir  string
	lock io.Closer
}

// newFolder makes a folder that was not there before: no practice can be in it.
func newFolder() (*folder, error) {
	dir, err := os.MkdirTemp("", folderName)
	if err != nil {
		return nil, err
	}
	lock, err := filelock.Take(filepath.Join(dir, lockName))
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	return &folder{dir, lock}, nil
}

// remove takes the folder off the disk.
func (f *folder) remove() error { return errors.Join(f.lock.Close(), os.RemoveAll(f.dir)) }

// sweep removes what rehearsals left that were killed. Their keys went with them, so
// nobody could read it; still it says that somebody rehearsed.
func sweep() error {
	all, err := filepath.Glob(filepath.Join(os.TempDir(), folderName+"*"))
	for _, dir := range all {
		lock, lockErr := filelock.Take(filepath.Join(dir, lockName))
		if lockErr != nil {
			continue // it runs, or is another user's
		}
		err = errors.Join(err, (&folder{dir, lock}).remove())
	}
	return err
}
