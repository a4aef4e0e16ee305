package wholefile

import "golang.org/x/sys/windows"

// FreeBytes is the room left on dir's disk for this user.
func FreeBytes(dir string) (free uint64, err error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	return free, err
}
