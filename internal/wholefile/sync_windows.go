package wholefile

import (
	"errors"
	"os"
)

// syncFolder does nothing: Windows has no call to flush a folder. NTFS logs its
// metadata in order, and the flush of a file in it writes that log too.
func syncFolder(string) error { return nil }

// syncRename flushes the file once more under its new name, and with it the log
// of the rename and of the folders that were made for it.
func syncRename(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
