package wholefile

import "golang.org/x/sys/windows"

// fullErrors are the platform's words for a full disk or an exhausted quota.
var fullErrors = []error{windows.ERROR_DISK_FULL, windows.ERROR_HANDLE_DISK_FULL, windows.ERROR_DISK_QUOTA_EXCEEDED}
