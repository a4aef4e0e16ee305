//go:build !windows

package index

import "golang.org/x/sys/unix"

// hostErrors are the machine's trouble, not damage of the index.
var hostErrors = []error{unix.ENOSPC, unix.EDQUOT, unix.EACCES, unix.EPERM, unix.EROFS, unix.EMFILE, unix.ENFILE, unix.ENOMEM}
