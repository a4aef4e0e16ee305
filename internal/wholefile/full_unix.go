//go:build !windows

package wholefile

import "syscall"

// fullErrors are the platform's words for a full disk or an exhausted quota.
var fullErrors = []error{syscall.ENOSPC, syscall.EDQUOT}
