package store

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"thawtrail/internal/store/filelock"
	"thawtrail/internal/store/journal"
)

// lockName is the file in a replica's folder whose lock its one writer holds. The
// index has a lock of its own, but a nearly full disk leaves no index there.
const lockName = "replica.lock"

// lockFolder takes the lock of a replica's folder. What lies in memory has no
// other opener.
func lockFolder(opt Options) (io.Closer, error) {
	if _, onDisk := opt.FS.(journal.OSFS); !onDisk {
		return io.NopCloser(nil), nil
	}
	if err := opt.FS.MkdirAll(opt.Dir); err != nil {
		return nil, fmt.Errorf("%s: %w", opt.Dir, err)
	}
	return LockFolder(opt.Dir)
}

// LockFolder takes the lock of a replica's folder, for what else is done there
// while no program may run on it. Errors: ErrLocked.
func LockFolder(dir string) (io.Closer, error) {
	lock, err := filelock.Take(filepath.Join(dir, lockName))
	switch {
	case errors.Is(err, filelock.ErrLocked):
		return nil, fmt.Errorf("%s: %w: stop the agent or server that runs on this folder first", dir, err)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	return lock, nil
}
