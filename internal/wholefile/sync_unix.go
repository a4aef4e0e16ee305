//go:build !windows

package wholefile

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
)

// syncFolder makes the names in a folder durable. Some file systems of other
// machines and of sticks have no such call and say so; there is nothing else that
// could be done for them.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, errors.ErrUnsupported) || errors.Is(err, syscall.EINVAL) {
		err = nil
	}
	return errors.Join(err, d.Close())
}

func syncRename(path string) error { return syncFolder(filepath.Dir(path)) }
