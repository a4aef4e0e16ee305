package journal

import (
	"errors"
	"io"
)

// ErrNoSpace marks a write that failed because the disk is full. Every FS
// wraps it, whatever its platform calls the condition.
var ErrNoSpace = errors.New("no space left on the disk")

// FS is the little the journal needs of a disk. Paths use the platform's
// separator. Implementations are safe for concurrent use.
type FS interface {
	// MkdirAll makes dir and its parents, durably.
	MkdirAll(dir string) error
	// Create makes a new file for writing; it fails when the name exists.
	// The name is durable only after SyncDir.
	Create(path string) (File, error)
	// OpenRead opens an existing file for ReadAt.
	OpenRead(path string) (File, error)
	// OpenWrite opens an existing file for WriteAt and Sync, contents kept.
	OpenWrite(path string) (File, error)
	// Remove deletes a file.
	Remove(path string) error
	// ReadDir lists the files of dir in order of name, directories left out.
	ReadDir(dir string) ([]Entry, error)
	// SyncDir makes the names in dir durable.
	SyncDir(dir string) error
	// Free is how many bytes are left on dir's disk for this user.
	Free(dir string) (uint64, error)
}

// Entry is one file in a directory.
type Entry struct {
	Name string
	Size int64 // bytes
}

// File is an open file. After an error from WriteAt or Sync nothing is known
// about the bytes since the last good Sync, and the file must not be synced again.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	// Sync returns nil once every byte written so far survives a power cut.
	Sync() error
}
