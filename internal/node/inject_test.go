package node

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// fault is a way in which a disk fails from one operation on.
type fault struct {
	name    string
	kinds   []memfs.Kind // the operations that are counted and fail
	err     error
	forGood bool
	words   string // a part of what people are told of it
}

var (
	errDisk = errors.New("input/output error")
	reads   = []memfs.Kind{memfs.Read, memfs.OpenRead}
	writes  = []memfs.Kind{memfs.Write, memfs.Sync, memfs.Create, memfs.SyncDir}

	faults = []fault{
		{"a read fails", reads, errDisk, false, ""},
		{"reads fail for good", reads, errDisk, true, "input/output error"},
		{"a write fails", writes, errDisk, false, ""},
		{"writes fail for good", writes, errDisk, true, "input/output error"},
		{"the disk is full", []memfs.Kind{memfs.Write, memfs.Create}, journal.ErrNoSpace, true, "space left"},
	}
)

// strike lets the n-th operation that is counted fail. It counts them all.
func (f fault) strike(disk *memfs.FS, n int64) *atomic.Int64 {
	count := &atomic.Int64{}
	disk.SetHook(func(op memfs.Op) memfs.Fault {
		for _, k := range f.kinds {
			if op.Kind != k {
				continue
			}
			if c := count.Add(1); c == n || f.forGood && c > n {
				return memfs.Fault{Err: f.err}
			}
		}
		return memfs.Fault{}
	})
	return count
}

// night is what the two disks of a practice hold before anything fails.
type night struct{ hub, laptop *memfs.FS }

func begun(t *testing.T) (n night) {
	t.Run("begin", func(t *testing.T) {
		hub, laptop := practice(t)
		laptop.Foal()
		require.Eventually(t, func() bool { return laptop.Unsent() == 0 }, 10*time.Second, 5*time.Millisecond)
		n = night{hub.disk.CrashClone(memfs.Keep), laptop.disk.CrashClone(memfs.Keep)}
	})
	return n
}

// trial is one night in which the disk of one side fails at one operation.
type trial struct {
	hub, laptop *memfs.FS
	acked       []string // records that a person was told are saved, on the laptop
	sent        []string // and of which the laptop was told that the server has them
	struck      bool
	named       bool   // the fault was met before the status was asked
	told        string // what the side whose disk failed says of itself
}

// meetings is one open, session, scrub and stop of both sides while one disk fails.
func (tr *trial) meetings(t *testing.T, f fault, failing *memfs.FS, n int64) {
	count := f.strike(failing, n)
	defer func() { tr.struck = count.Load() >= n }()
	hub, err := openSide(t, "clinic", 1, tr.hub)
	if tr.refused(t, err) {
		return
	}
	laptop, err := openSide(t, "north car", 2, tr.laptop)
	if tr.refused(t, err) {
		return
	}
	meet(t, hub, laptop)
	for i := range 4 {
		out, err := laptop.Write(t.Context(), &pb.WriteRequest{Entry: laptop.Entry(&pb.PlaceAdded{
			Name: fmt.Sprint("shelf ", i), Kind: pb.PlaceKind_PLACE_KIND_FREEZER})})
		switch {
		case err == nil:
			tr.acked = append(tr.acked, out.Record)
		case errors.Is(err, refusal.ErrDenied): // who may do what cannot be read
			require.Equal(t, reads, f.kinds)
		default:
			require.ErrorContains(t, err, "not saved")
			tr.told += err.Error()
		}
	}
	for start := 0; start < 20 && laptop.Unsent() > 0; start++ {
		time.Sleep(5 * time.Millisecond)
		laptop.Clock.Advance(100 * time.Millisecond)
	}
	for _, s := range []*side{hub, laptop} {
		require.NoError(t, s.Store.Scrub(t.Context()), "what cannot be read is noted and passed")
		met := count.Load()
		s.goesOn()
		if s.disk == failing {
			tr.named = met >= n
			tr.told += saidBy(s)
			// What met the fault a moment ago is still on its way to say so.
			for wait := 0; tr.named && f.forGood && !strings.Contains(tr.told, f.words) && wait < 200; wait++ {
				time.Sleep(10 * time.Millisecond)
				s.Clock.Advance(100 * time.Millisecond)
				tr.told += saidBy(s)
			}
		}
	}
	for _, id := range tr.acked {
		r, err := laptop.Store.FindRecord(id)
		if err == nil && laptop.Link.StateOf(r) > 0 {
			tr.sent = append(tr.sent, id)
		}
	}
}

// saidBy is what a side says of itself.
func saidBy(s *side) string {
	st := s.status()
	said := strings.Join(st.Repairs, " ") + fmt.Sprint(st.Parts, st.Link)
	if st.RoomLeftBytes != nil {
		said += " no space left"
	}
	return said
}

// refused says that a side did not open, and holds it to one clear line.
func (tr *trial) refused(t *testing.T, err error) bool {
	if err == nil {
		return false
	}
	require.NotContains(t, err.Error(), "\n", "one line")
	require.ErrorContains(t, err, "journal")
	tr.told += err.Error()
	tr.named = true
	return true
}

// after opens both disks when they work again: all that was acknowledged is there,
// and the two sides come to hold the same.
func (tr *trial) after(t *testing.T) {
	tr.hub.SetHook(nil)
	tr.laptop.SetHook(nil)
	hub, err := openSide(t, "clinic", 1, tr.hub)
	require.NoError(t, err)
	laptop, err := openSide(t, "north car", 2, tr.laptop)
	require.NoError(t, err)
	require.Empty(t, missing(laptop, tr.acked), "saved here")
	require.Empty(t, missing(hub, tr.sent), "sent")
	meet(t, hub, laptop)
	require.Eventually(t, func() bool {
		laptop.Clock.Advance(100 * time.Millisecond)
		return laptop.Unsent() == 0 && digestOf(t, hub) == digestOf(t, laptop) && hub.Store.Records() == laptop.Store.Records()
	}, 30*time.Second, 10*time.Millisecond, "both sides hold the same")
	require.Empty(t, missing(hub, tr.acked))
}

func missing(s *side, ids []string) (out []string) {
	for _, id := range ids {
		if _, err := s.Store.FindRecord(id); err != nil {
			out = append(out, id)
		}
	}
	return out
}

func digestOf(t *testing.T, s *side) string {
	t.Helper()
	out, err := s.GetDigest(context.WithoutCancel(t.Context()), &pb.GetDigestRequest{})
	require.NoError(t, err)
	return out.Digest
}

// Whatever operation of whichever disk fails, once or for good: no acknowledged
// record is lost, the program goes on or refuses to start in one line, and it says
// what is wrong.
func TestEachOperationFails(t *testing.T) {
	made := begun(t)
	for _, f := range faults {
		for _, onHub := range []bool{false, true} {
			stride := int64(testrun.Of(29, 1))
			for n, done := int64(1), false; !done; n += stride {
				done = true // unless it runs and says otherwise
				t.Run(fmt.Sprintf("%s at %d, on the hub %v", f.name, n, onHub), func(t *testing.T) {
					tr := &trial{hub: made.hub.CrashClone(memfs.Keep), laptop: made.laptop.CrashClone(memfs.Keep)}
					failing := tr.laptop
					if onHub {
						failing = tr.hub
					}
					t.Run("failing", func(t *testing.T) { tr.meetings(t, f, failing, n) })
					if tr.named && f.forGood {
						require.Contains(t, tr.told, f.words, "it says what is wrong")
					}
					t.Run("after", tr.after)
					done = !tr.struck || t.Failed()
				})
			}
		}
	}
}
