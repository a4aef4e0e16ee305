//go:build !windows

package journal

import (
	"errors"
	"os"
	"syscall"
)

// fullErrors are the platform's words for a full disk or an exhausted quota.
var fullErrors = []error{syscall.ENOSPC, syscall.EDQUOT}

// syncDir makes the names in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
