package journal

import "golang.org/x/sys/windows"

// passingErrors are trouble of the machine that says nothing about a file.
var passingErrors = []error{windows.ERROR_TOO_MANY_OPEN_FILES, windows.ERROR_NOT_ENOUGH_MEMORY, windows.ERROR_COMMITMENT_LIMIT, windows.ERROR_SHARING_VIOLATION}

// syncDir does nothing: Windows has no call to flush a directory. NTFS logs
// its metadata, and a flush of the new file writes that log too, so the name is
// as durable as the file's own flush.
func syncDir(string) error { return nil }
