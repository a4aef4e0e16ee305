//go:build !windows

package index

import (
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// hostErrors are the machine's trouble, not damage of the index.
var hostErrors = []error{unix.ENOSPC, unix.EDQUOT, unix.EACCES, unix.EPERM, unix.EROFS, unix.EMFILE, unix.ENFILE, unix.ENOMEM}

// freeBytes is the room left on dir's disk for an ordinary user.
func freeBytes(dir string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}

// lockFile takes a lock that ends with the process.
func lockFile(path string) (io.Closer, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = fmt.Errorf("%w: %w", ErrLocked, err)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}
