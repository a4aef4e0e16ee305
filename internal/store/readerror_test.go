package store

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

var errIO = errors.New("input/output error")

// frameHead is what the journal reads first of a single frame; nothing else reads
// so little.
const frameHead = 16

// A disk that cannot be read just now is no proof that a record is gone: nothing is
// called lost, no new logs are begun, and no history is called empty.
func TestAReadErrorIsNoAbsence(t *testing.T) {
	fs := memfs.New()
	opt := memoryOptions(9, fs, nil)
	opt.Dir = t.TempDir()
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	logs := s.OwnLogs()
	require.NoError(t, s.Close())
	bag := event.Key{Kind: event.KindBag, ID: "BAG1"}
	history := func() (n int) {
		require.NoError(t, s.View(t.Context(), func(v *Snapshot) error {
			return v.Records(bag, func(*event.Record) error { n++; return nil })
		}))
		return n
	}

	// A read that fails once is tried again: nothing is in question.
	failed := 0
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read && op.Size == frameHead && failed == 0 {
			failed++
			f.Err = errIO
		}
		return f
	})
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.Equal(t, 1, failed)
	require.Equal(t, logs, s.OwnLogs(), "no new logs")
	require.Empty(t, s.Repairs())
	require.Equal(t, 1, history())
	require.NoError(t, s.Close())

	// One that fails for good is a damaged stretch, named with its reason. Nobody says
	// that the record is gone, and the logs that the index knows are written on.
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read && op.Size == frameHead {
			f.Err = errIO
		}
		return f
	})
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	said := strings.Join(s.Repairs(), "\n")
	require.NotContains(t, said, "gone from this disk")
	require.Contains(t, said, "input/output error")
	require.Equal(t, logs, s.OwnLogs(), "no new logs")
	require.NoError(t, s.Close())

	// On a disk that is well again the record is where it was.
	fs.SetHook(nil)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.Equal(t, 1, history())
	require.NoError(t, s.Close())
}

// blind is an index that cannot be read, once told so.
type blind struct {
	index.Index
	shut bool
}

func (b *blind) View(fn func(index.Reader) error) error {
	if b.shut {
		return errIO
	}
	return b.Index.View(fn)
}

// A log in which damage was met, and of which it cannot be looked up what is
// missing, is not called whole.
func TestWhatCannotBeLookedUpIsNotClaimed(t *testing.T) {
	ix := &blind{Index: index.NewMemory()}
	s, err := Open(t.Context(), memoryOptions(9, memfs.New(), ix))
	require.NoError(t, err)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	at, err := s.projection.TipPlace(recs[0].Log, exchange.Tip{Seq: recs[0].Seq(), Hash: recs[0].Hash})
	require.NoError(t, err)
	s.damaged(at, at, errIO.Error())
	ix.shut = true
	h, _ := s.HeldOne(recs[0].Log)
	require.Empty(t, h.Tips)
	ix.shut = false
	h, _ = s.HeldOne(recs[0].Log)
	require.NotEmpty(t, h.Tips)
	require.NoError(t, s.Close())
}

// What is folded while the disk cannot read an older record is folded without it,
// and once more when the next start finds that record readable.
func TestAFoldWithoutAnUnreadRecordIsMadeGood(t *testing.T) {
	fs := memfs.New()
	trail := (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	require.NoError(t, s.Close())

	trail = trail.Reopened()
	opt.Index = trail
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read {
			f.Err = errIO
		}
		return f
	})
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-2"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	require.Contains(t, strings.Join(s.Repairs(), "\n"), "input/output error")
	fs.SetHook(nil)
	require.NoError(t, s.Close())

	opt.Index = trail.Reopened()
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	requireRebuilt(t, s, opt)
	require.NoError(t, s.Close())
}

// An index that is built while the disk fails after some reads, beside a record that
// is damaged for good, lacks only that record once the disk is well again.
func TestAnIndexBuiltOnAFailingDiskIsMadeGood(t *testing.T) {
	started := 0
	for good := range 12 {
		fs := memfs.New()
		opt := memoryOptions(9, fs, (&indextest.Trail{}).Reopened())
		s, err := Open(t.Context(), opt)
		require.NoError(t, err)
		_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
		require.NoError(t, err)
		require.NoError(t, s.CatchUp(t.Context()))
		first, err := s.projection.First(s.OwnLogs()[0])
		require.NoError(t, err)
		require.NoError(t, s.Close())
		require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(first.Offset)+20, 1))

		left := good
		fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
			if left--; op.Kind == memfs.Read && left < 0 {
				f.Err = errIO
			}
			return f
		})
		trail := (&indextest.Trail{}).Reopened()
		opt.Index = trail
		s, err = Open(t.Context(), opt)
		fs.SetHook(nil)
		if err != nil {
			continue // it did not start at all
		}
		started++
		require.NoError(t, s.Close())
		opt.Index = trail.Reopened()
		s, err = Open(t.Context(), opt)
		require.NoError(t, err)
		requireRebuilt(t, s, opt)
		require.NoError(t, s.Close())
	}
	require.Greater(t, started, 3)
}

// An index that cannot be read says nothing about what is held. A run that follows
// what is here is not refused as if it was not; it fails, and comes again.
func TestAReadErrorRefusesNoRun(t *testing.T) {
	ix := &blind{Index: index.NewMemory()}
	hub, err := Open(t.Context(), memoryOptions(9, memfs.New(), ix))
	require.NoError(t, err)
	laptop := openMemory(t, 10)
	give(t, laptop, hub)
	require.NoError(t, hub.CatchUp(t.Context()))
	recs, err := laptop.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	run, _, err := laptop.ReadRun(t.Context(), recs[0].Log, 1, 1<<20)
	require.NoError(t, err)

	ix.shut = true
	results, err := hub.Ingest(t.Context(), []*pb.Run{run})
	require.ErrorIs(t, err, ErrUnread)
	require.Empty(t, results)
	ix.shut = false
	results, err = hub.Ingest(t.Context(), []*pb.Run{run})
	require.NoError(t, err)
	require.Nil(t, results[0].Refused)
	require.Equal(t, 1, results[0].Taken)
	require.NoError(t, hub.Close())
}
