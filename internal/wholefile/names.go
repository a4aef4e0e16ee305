package wholefile

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
)

// Names keeps small contents under names, each whole or absent as a file is here. A name
// has parts that are joined by slashes: 'device.key', 'aside/0001.run'.
type Names interface {
	// Read gives what was written last, at most most bytes of it. fs.ErrNotExist: nothing
	// is there. ErrTooLong: it is longer.
	Read(name string, most int64) ([]byte, error)
	// Write puts contents in the place of what was there, durably.
	Write(name string, contents []byte) error
	// List gives the names right below another one, in order.
	List(below string) ([]string, error)
	// Remove takes away what is under a name. Nothing there is no error.
	Remove(name string) error
	// Place is where a name is found, for a person.
	Place(name string) string
}

// Folder is Names in a folder of the disk.
type Folder string

// Place is the path of the file.
func (f Folder) Place(name string) string { return filepath.Join(string(f), filepath.FromSlash(name)) }

// Read reads the file.
func (f Folder) Read(name string, most int64) ([]byte, error) { return Read(f.Place(name), most) }

// Write replaces the file.
func (f Folder) Write(name string, contents []byte) error { return Write(f.Place(name), contents) }

// List lists the files of a folder below, with those that were being written when their
// process ended.
func (f Folder) List(below string) (names []string, err error) {
	list, err := os.ReadDir(f.Place(below))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, e := range list {
		if !e.IsDir() {
			names = append(names, path.Join(below, e.Name()))
		}
	}
	slices.Sort(names)
	return names, err
}

// Remove removes the file.
func (f Folder) Remove(name string) error {
	if err := os.Remove(f.Place(name)); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// There says that something is under a name, or may be: what cannot be asked is not taken
// for absent.
func There(names Names, name string) bool {
	_, err := names.Read(name, 0)
	return !errors.Is(err, fs.ErrNotExist)
}
