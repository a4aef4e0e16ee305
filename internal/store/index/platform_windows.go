package index

import "golang.org/x/sys/windows"

// hostErrors are the machine's trouble, not damage of the index.
var hostErrors = []error{windows.ERROR_DISK_FULL, windows.ERROR_HANDLE_DISK_FULL, windows.ERROR_DISK_QUOTA_EXCEEDED,
	windows.ERROR_ACCESS_DENIED, windows.ERROR_SHARING_VIOLATION, windows.ERROR_WRITE_PROTECT,
	windows.ERROR_TOO_MANY_OPEN_FILES, windows.ERROR_NOT_ENOUGH_MEMORY, windows.ERROR_COMMITMENT_LIMIT}

// freeBytes is the room left on dir's disk for this user.
func freeBytes(dir string) (free uint64, err error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	return free, err
}
