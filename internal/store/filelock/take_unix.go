//go:build !windows

package filelock

import (
	"errors"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// take locks a file; held says that somebody else has it.
func take(path string) (file io.Closer, held bool, err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, false, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err != nil {
		return nil, errors.Is(err, unix.EWOULDBLOCK), errors.Join(err, f.Close())
	}
	return f, false, nil
}
