//go:build unix

package local

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// onlyOurs says that only this user can enter a folder.
func onlyOurs(dir string) error {
	owner, mode, err := ownerAndMode(dir)
	if err == nil && (owner != os.Geteuid() || mode&0o077 != 0) {
		err = errors.New("other users can enter it")
	}
	return err
}

// notEveryones says that only its owner and a group can enter a folder, and its owner
// alone change it.
func notEveryones(dir string) error {
	_, mode, err := ownerAndMode(dir)
	if err == nil && mode&0o027 != 0 {
		err = fmt.Errorf("mode %04o lets others in", mode)
	}
	return err
}

func ownerAndMode(dir string) (owner int, mode os.FileMode, err error) {
	info, err := os.Lstat(dir) // #nosec G703 -- the folder of this user, by its own environment
	if err != nil {
		return 0, 0, err
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !info.IsDir() {
		return 0, 0, errors.New("it is no folder")
	}
	return int(s.Uid), info.Mode().Perm(), nil
}

// hasSockets says that a unix socket keeps other users out here.
const hasSockets = true
