//go:build !windows

package wholefile

import "golang.org/x/sys/unix"

// FreeBytes is the room left on dir's disk for an ordinary user.
func FreeBytes(dir string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}
