//go:build !windows

package journal

import (
	"errors"
	"os"
	"syscall"
)

// passingErrors are trouble of the machine that says nothing about a file.
var passingErrors = []error{syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM}

// syncDir makes the names in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
