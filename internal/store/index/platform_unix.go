//go:build !windows

package index

import "golang.org/x/sys/unix"

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
