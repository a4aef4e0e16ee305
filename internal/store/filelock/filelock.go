// Package filelock lets one process at a time have a folder.
//
// The lock is the operating system's, on a file that stays: it ends with the
// process, however that ends, so nobody ever has to clear a stale one away.
package filelock

import (
	"errors"
	"fmt"
	"io"
)

// ErrLocked: another process, or another opening in this one, holds the lock.
var ErrLocked = errors.New("in use by another process")

// Take takes the lock on the file at path, which is made when it is absent. It
// does not wait. Closing what it returns gives the lock back.
func Take(path string) (io.Closer, error) {
	file, held, err := take(path)
	switch {
	case held:
		return nil, ErrLocked
	case err != nil:
		return nil, fmt.Errorf("lock: %w", err)
	}
	return file, nil
}
