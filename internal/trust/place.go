package trust

import (
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"thawtrail/internal/store"
	"thawtrail/internal/wholefile"
)

// Place is where a replica lies: what of it must not be lost, and a folder of this machine
// for what can be made again.
type Place struct {
	Dir   string          // holds the index, and the journal where there is no Truth
	Names wholefile.Names // the vault's file, and the small ones that the vault closes
	Truth store.OpenTruth // where records lie for good; nil: the journal in Dir
	// Begun says that records were written there: whoever wrote them had a vault and a
	// device key. What cannot be asked is taken for begun.
	Begun func() bool
}

// InFolder is the place of a replica that has all it has in one folder.
func InFolder(dir string) Place {
	return Place{Dir: dir, Names: wholefile.Folder(dir), Begun: func() bool { return Begun(dir) }}
}

// ElsewhereFile stands in the folder of a replica that lies elsewhere, for who looks there.
const ElsewhereFile = "elsewhere.txt"

// maxElsewhere bounds what is read of it.
const maxElsewhere = 4096

// noteElsewhere writes down that a folder does not hold its replica.
func (p Place) noteElsewhere() error {
	if p.Truth == nil {
		return nil
	}
	return wholefile.Write(filepath.Join(p.Dir, ElsewhereFile), []byte(p.Names.Place("")+"\n"))
}

// Elsewhere is where the replica of a folder lies that holds no more than what can be made
// again; empty: it lies there, or none does.
func Elsewhere(dir string) string {
	text, err := wholefile.Read(filepath.Join(dir, ElsewhereFile), maxElsewhere)
	if err != nil || Begun(dir) {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// Begun says that records were written in a folder. A journal that cannot be listed is taken
// for one with records.
func Begun(dir string) bool {
	list, err := os.ReadDir(filepath.Join(dir, "journal"))
	return slices.ContainsFunc(list, func(e fs.DirEntry) bool { return filepath.Ext(e.Name()) == ".journal" }) ||
		err != nil && !errors.Is(err, fs.ErrNotExist)
}

// Small lists the small files that are in a place. It asks for those that a home writes, and
// lists no others: in a folder may lie what opens its vault.
func (p Place) Small() (names []string, err error) {
	names = slices.Concat(slices.Sorted(maps.Keys(remedies)), slices.Sorted(maps.Keys(remade)), []string{contentsFile, pagesFile})
	names = slices.DeleteFunc(names, func(name string) bool { return !wholefile.There(p.Names, name) })
	aside, err := p.Names.List(asideFolder)
	return append(names, aside...), err
}
