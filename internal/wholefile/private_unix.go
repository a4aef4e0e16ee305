//go:build !windows

package wholefile

import (
	"fmt"
	"os"
)

// makePrivate makes a folder for this user alone.
func makePrivate(path string) error { return os.Mkdir(path, 0o700) }

// createPrivate makes a new file for this user alone.
func createPrivate(dir, pattern string) (file, error) { return os.CreateTemp(dir, pattern) }

// OthersRead says how others than its owner may read a file; empty when they may not. What
// is no file of the disk, such as a pipe, nobody else reads.
func OthersRead(path string) (how string, err error) {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() || info.Mode().Perm()&0o077 == 0 {
		return "", err
	}
	return fmt.Sprintf("its mode %04o lets others in; `chmod 600 FILE`", info.Mode().Perm()), nil
}
