//go:build unix

package local

import (
	"errors"
	"os"
	"syscall"
)

// onlyOurs says that only this user can enter a folder.
func onlyOurs(dir string) error {
	info, err := os.Lstat(dir) // #nosec G703 -- the folder of this user, by its own environment
	if err != nil {
		return err
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !info.IsDir() || int(s.Uid) != os.Geteuid() || info.Mode().Perm()&0o077 != 0 {
		return errors.New("other users can enter it")
	}
	return nil
}

// hasSockets says that a unix socket keeps other users out here.
const hasSockets = true
