package replication_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// exchanged runs a link between two replicas until both hold what the other one has.
func exchanged(t *testing.T, laptop, hub *entrytest.Laptop, done func() bool) {
	t.Helper()
	_, stop := running(t, laptop, hub)
	require.Eventually(t, done, 10*time.Second, 5*time.Millisecond)
	stop()
}

// journalEnd is the newest file of a hub's journal, and its length.
func journalEnd(t *testing.T, disk *memfs.FS, dir string) (path string, size int) {
	t.Helper()
	list, err := disk.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range list {
		if strings.HasSuffix(e.Name, ".journal") {
			path, size = dir+"/"+e.Name, int(e.Size)
		}
	}
	return path, size
}

// The server writes while no laptop is on the link, and one of those records decays.
// All others reach the laptops, which had waited before the hole for ever.
func TestWhatIsStrandedOnTheServerIsSavedAgain(t *testing.T) {
	disk := memfs.New()
	open := func(boot byte) *entrytest.Laptop {
		hub, err := entrytest.On(t, "clinic", 1, rand.NewChaCha8([32]byte{boot}), disk, index.NewMemory())
		require.NoError(t, err)
		hub.Hub = true
		return hub
	}
	hub, laptop := open(1), entrytest.Named(t, "north car", 2)
	hub.Begin()
	exchanged(t, laptop, hub, func() bool { return digest(t, laptop) == digest(t, hub) })

	const alone, decays = 6, 2
	var wrote []string
	var path string
	var from, to int
	for i := range alone {
		if i == decays {
			path, from = journalEnd(t, disk, "replica/journal")
		}
		wrote = append(wrote, hub.Must(&pb.VehicleAdded{Name: fmt.Sprintf("car %d", i)}).Record)
		if i == decays {
			_, to = journalEnd(t, disk, "replica/journal")
		}
	}
	require.NoError(t, hub.Store.Close())
	require.NoError(t, disk.Flip(path, (from+to)/2, 1))
	hub = open(2)
	t.Cleanup(func() { require.NoError(t, hub.Store.Close()) })
	exchanged(t, laptop, hub, func() bool {
		require.NoError(t, laptop.Store.CatchUp(t.Context()))
		got := 0
		for _, record := range wrote {
			if _, err := laptop.Store.FindRecord(record); err == nil {
				got++
			}
		}
		return got == alone-1 && digest(t, hub) == digest(t, laptop)
	})
	_, err := laptop.Store.FindRecord(wrote[decays])
	require.ErrorIs(t, err, store.ErrNotFound)
	require.Contains(t, strings.Join(hub.Store.Repairs(), "\n"), "3 records behind them were saved again")
}

// Two copies of one laptop's folder write at one place of their log at the same moment:
// what either wrote reaches the other laptops too.
func TestBothBranchesReachEveryLaptop(t *testing.T) {
	disk := memfs.New()
	open := func(disk *memfs.FS, boot byte) *entrytest.Laptop {
		l, err := entrytest.On(t, "north car", 2, rand.NewChaCha8([32]byte{boot}), disk, index.NewMemory())
		require.NoError(t, err)
		return l
	}
	hub, south, north := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "south car", 3), open(disk, 2)
	hub.Hub = true
	hub.Begin()
	session(t, south, hub)
	exchanged(t, north, hub, func() bool { return digest(t, north) == digest(t, hub) })
	north.Must(&pb.VehicleAdded{Name: "before"})
	exchanged(t, north, hub, func() bool { return north.Unsent() == 0 })
	require.NoError(t, north.Store.Close())
	other := disk.CrashClone(func(int) int { return 1 })
	one, two := open(disk, 3), open(other, 4)
	t.Cleanup(func() { require.NoError(t, one.Store.Close()); require.NoError(t, two.Store.Close()) })
	session(t, one, hub)
	session(t, two, hub)
	var wrote []string
	for i := range 3 {
		for _, l := range []*entrytest.Laptop{one, two, hub} {
			wrote = append(wrote, l.Must(&pb.VehicleAdded{Name: fmt.Sprintf("%s %d %p", l.Name, i, l)}).Record)
		}
	}
	for name, l := range map[string]*entrytest.Laptop{"the server": hub, "south": south} {
		require.Eventually(t, func() bool {
			require.NoError(t, l.Store.CatchUp(t.Context()))
			for _, record := range wrote {
				if _, err := l.Store.FindRecord(record); err != nil {
					return false
				}
			}
			return true
		}, 10*time.Second, 10*time.Millisecond, name)
	}
	heads := func(l *entrytest.Laptop) []*pb.Head {
		out, err := l.GetDigest(t.Context(), &pb.GetDigestRequest{})
		require.NoError(t, err)
		return out.Heads
	}
	require.Eventually(t, func() bool {
		return hub.Store.Records() == south.Store.Records() && slices.EqualFunc(heads(hub), heads(south), func(a, b *pb.Head) bool { return proto.Equal(a, b) })
	}, 10*time.Second, 10*time.Millisecond, "the same heads, whichever branch came first")
}
