package store_test

import (
	"context"
	"errors"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/truthtest"
)

// locked is a file journal with the lock of its folder, as a replica has both.
type locked struct {
	store.Truth
	unlock func() error // once
}

func (l *locked) Close() error { return errors.Join(l.Truth.Close(), l.unlock()) }

// TestTheFileJournalKeepsTheLawsOfATruth, in the clear and closed, with segments that end often.
func TestTheFileJournalKeepsTheLawsOfATruth(t *testing.T) {
	for name, opening := range map[string]store.Opening{
		"plain": {Now: time.Now}, "closed": {Now: time.Now, Key: make([]byte, 32), KeyID: "clinic-1"},
	} {
		t.Run(name, func(t *testing.T) {
			truthtest.Run(t, func(t *testing.T) truthtest.Opener {
				dir := filepath.Join(t.TempDir(), "replica")
				require.NoError(t, journal.OSFS{}.MkdirAll(dir))
				return func() (store.Truth, error) {
					lock, err := store.LockFolder(dir)
					if err != nil {
						return nil, err
					}
					truth, _, err := store.OpenJournal(journal.OSFS{}, dir, 64<<10)(context.Background(), opening)
					if err != nil {
						return nil, err
					}
					return &locked{truth, sync.OnceValue(lock.Close)}, nil
				}
			})
		})
	}
}
