package index

import "golang.org/x/sys/windows"

// hostErrors are the machine's trouble, not damage of the index.
var hostErrors = []error{windows.ERROR_DISK_FULL, windows.ERROR_HANDLE_DISK_FULL, windows.ERROR_DISK_QUOTA_EXCEEDED,
	windows.ERROR_ACCESS_DENIED, windows.ERROR_SHARING_VIOLATION, windows.ERROR_WRITE_PROTECT,
	windows.ERROR_TOO_MANY_OPEN_FILES, windows.ERROR_NOT_ENOUGH_MEMORY, windows.ERROR_COMMITMENT_LIMIT}
