package journal_test

import (
	"bytes"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
)

// noSync is the real disk without its syncs, to measure the rest.
type noSync struct{ journal.OSFS }

type noSyncFile struct{ journal.File }

func (noSyncFile) Sync() error { return nil }

func (d noSync) Create(path string) (journal.File, error) {
	f, err := d.OSFS.Create(path)
	return noSyncFile{f}, err
}

// BenchmarkCommit writes 350-byte frames, 1 MiB to a batch, encrypted.
func BenchmarkCommit(b *testing.B) {
	for name, fs := range map[string]journal.FS{"synced": journal.OSFS{}, "unsynced": noSync{}} {
		b.Run(name, func(b *testing.B) {
			o := sealed(fs)
			o.Dir, o.SegmentBytes = filepath.Join(b.TempDir(), "j"), 0
			j, _ := mustOpen(b, o)
			batch := make([][]byte, 3000)
			for i := range batch {
				batch[i] = bytes.Repeat([]byte{byte(i)}, 350)
			}
			b.SetBytes(int64(len(batch) * 350))
			for b.Loop() {
				_, err := j.Commit(batch)
				require.NoError(b, err)
			}
			require.NoError(b, j.Close())
		})
	}
}

// BenchmarkScan reads them back.
func BenchmarkScan(b *testing.B) {
	o := sealed(journal.OSFS{})
	o.Dir, o.SegmentBytes = b.TempDir(), 0
	j, _ := mustOpen(b, o)
	frame := bytes.Repeat([]byte{5}, 350)
	for range 20 {
		batch := make([][]byte, 3000)
		for i := range batch {
			batch[i] = frame
		}
		_, err := j.Commit(batch)
		require.NoError(b, err)
	}
	b.SetBytes(20 * 3000 * 350)
	for b.Loop() {
		require.NoError(b, j.Scan(journal.Position{}, func(journal.Position, []byte) error { return nil }, nil))
	}
	require.NoError(b, j.Close())
}
