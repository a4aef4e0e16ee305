package index

import (
	"errors"
	"log/slog"

	"github.com/dgraph-io/badger/v4"
)

// Limit is Badger with its defaults and synced writes and nothing of ours around
// it: what the bench holds our own way of storing against. The program's records
// never lie in one.
type Limit struct{ db *badger.DB }

// OpenLimit opens or makes one in a folder.
func OpenLimit(dir string) (*Limit, error) {
	db, err := badger.Open(badger.DefaultOptions(dir).WithSyncWrites(true).WithMetricsEnabled(false).
		WithLogger(logAdapter{slog.New(slog.DiscardHandler)}))
	if err != nil {
		return nil, err
	}
	return &Limit{db}, nil
}

// Put writes keys and values in one synced transaction; they must stay as they
// are until it returns.
func (l *Limit) Put(keys, values [][]byte) error {
	txn := l.db.NewTransaction(true)
	defer txn.Discard()
	for i, k := range keys {
		if err := txn.Set(k, values[i]); err != nil {
			return err
		}
	}
	return txn.Commit()
}

// Read reads the values of keys one by one and counts the bytes.
func (l *Limit) Read(keys [][]byte) (bytes int64, err error) {
	err = l.db.View(func(txn *badger.Txn) error {
		for _, k := range keys {
			item, err := txn.Get(k)
			if errors.Is(err, badger.ErrKeyNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			bytes += item.ValueSize()
			if err := item.Value(func([]byte) error { return nil }); err != nil {
				return err
			}
		}
		return nil
	})
	return bytes, err
}

// Close closes it.
func (l *Limit) Close() error { return l.db.Close() }
