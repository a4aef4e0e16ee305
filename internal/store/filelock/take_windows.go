package filelock

import (
	"errors"
	"io"
	"os"

	"golang.org/x/sys/windows"
)

// take opens a file for this process alone; held says that somebody else has it.
func take(path string) (file io.Closer, held bool, err error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return nil, false, err
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ|windows.GENERIC_WRITE, 0, nil,
		windows.OPEN_ALWAYS, windows.FILE_ATTRIBUTE_NORMAL, 0)
	if err != nil {
		return nil, errors.Is(err, windows.ERROR_SHARING_VIOLATION), err
	}
	return os.NewFile(uintptr(h), path), false, nil
}
