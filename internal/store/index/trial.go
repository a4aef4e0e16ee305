package index

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/dgraph-io/badger/v4"
	"github.com/dgraph-io/badger/v4/fb"
	"github.com/dgraph-io/badger/v4/options"
	"github.com/dgraph-io/badger/v4/table"
	"github.com/dgraph-io/ristretto/v2"
)

// What an unclean stop left is read before Badger opens it: some damage to a table, such as
// one that was cut off, makes it panic in a goroutine of its own, where nothing can recover,
// and the program would end. Here the same code reads the same bytes where a panic is an
// error.

// tryTables reads every table with its checksums. What is wrong with the first that is
// damaged is told; empty when all are whole. The list of tables, and the keys, are left to
// Badger where they cannot be read: it tells of those without a panic.
func (f *folder) tryTables() (damage string) {
	list, keys, err := f.listTables()
	if err != nil {
		return ""
	}
	for _, id := range list.ids {
		if err := tryTable(filepath.Join(f.tables(), table.IDToFilename(id)), id, list.of[id], keys); err != nil {
			return fmt.Sprintf("%s: %v", table.IDToFilename(id), err)
		}
	}
	return ""
}

// tablesListed are the tables that Badger will open.
type tablesListed struct {
	ids []uint64
	of  map[uint64]badger.TableManifest
}

func (f *folder) listTables() (list tablesListed, keys *badger.KeyRegistry, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	file, err := os.Open(filepath.Join(f.tables(), badger.ManifestFilename))
	if err != nil {
		return list, nil, err
	}
	defer file.Close() // it was only read
	manifest, _, err := badger.ReplayManifestFile(file, 0, badgerOptions(f.tables(), f.opt, Unclean))
	if err != nil {
		return list, nil, err
	}
	keys, err = badger.OpenKeyRegistry(badger.KeyRegistryOptions{Dir: f.tables(), ReadOnly: true, EncryptionKey: f.opt.Key})
	list.of = manifest.Tables
	for id := range manifest.Tables {
		list.ids = append(list.ids, id)
	}
	slices.Sort(list.ids)
	return list, keys, err
}

// tryTable reads one table from its first byte to its last.
func tryTable(path string, id uint64, listed badger.TableManifest, keys *badger.KeyRegistry) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("it cannot be read: %.100v", p)
		}
	}()
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	key, err := keys.DataKey(listed.KeyID)
	if err != nil {
		return err
	}
	opt := table.Options{BlockSize: blockBytes, Compression: listed.Compression, ChkMode: options.OnTableRead, DataKey: key}
	if key != nil {
		cache, err := indexCache()
		if err != nil {
			return err
		}
		defer cache.Close()
		opt.IndexCache = cache
	}
	t, err := table.OpenInMemoryTable(data, id, &opt)
	if err != nil {
		return err
	}
	return t.VerifyChecksum()
}

// indexCache holds the decrypted index of one table.
func indexCache() (*ristretto.Cache[uint64, *fb.TableIndex], error) {
	return ristretto.NewCache(&ristretto.Config[uint64, *fb.TableIndex]{NumCounters: 10, MaxCost: cacheBytes, BufferItems: 64})
}
