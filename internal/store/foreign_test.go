package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// Records of strangers have a bounded place, for each laptop that brings them and
// in all, also after a restart. The practice's own are taken whatever lies there,
// and so are a stranger's once the practice takes it in.
func TestStrangersHaveABoundedPlace(t *testing.T) {
	const quota = 40 << 10
	fs := memfs.New()
	opt := memoryOptions(60, fs, index.NewMemory())
	opt.StrangerBytes = quota
	hub, err := Open(t.Context(), opt)
	require.NoError(t, err)
	founded, err := hub.Append(t.Context(), founding())
	require.NoError(t, err)
	takeIn := func(s *Store) {
		_, err := hub.Append(t.Context(), Draft{Type: event.TypeDeviceAdded, Author: "owner", Grant: founded[0].Hash[:],
			Payload: &pb.DeviceAdded{Device: s.Device(), PublicKey: s.public, Name: "north"}})
		require.NoError(t, err)
	}
	fill := func(seed uint64, n int) *Store {
		s := openMemory(t, seed)
		for i := range n {
			_, err := s.Append(t.Context(), received(fmt.Sprintf("BAG%d-%d", seed, i), "P", "H-1"))
			require.NoError(t, err)
		}
		return s
	}
	push := func(peer byte, of *Store) (refused int) {
		for _, id := range of.OwnLogs() {
			for from := uint64(0); ; {
				run, next, err := of.ReadRun(t.Context(), id, from, 4<<10)
				require.NoError(t, err)
				if run == nil {
					break
				}
				results, err := hub.IngestFrom(t.Context(), exchange.DeviceID{peer}, []*pb.Run{run})
				require.NoError(t, err)
				if r := results[0].Refused; r != nil {
					require.Equal(t, exchange.NoRoom, r.Why)
					require.True(t, r.Damage(), "the sender goes on with other logs")
					refused++
					break
				}
				from = next
			}
		}
		return refused
	}
	kept := func() int64 {
		bytes, _ := hub.begin().foreign()
		return bytes
	}
	north, stranger := fill(61, 300), fill(62, 300)
	takeIn(north)
	require.Positive(t, push(1, stranger))
	require.LessOrEqual(t, kept(), int64(quota/4), "what one laptop may bring")
	require.Positive(t, kept(), "and that much is kept")
	for peer := byte(2); peer < 9; peer++ {
		push(peer, fill(70+uint64(peer), 300))
	}
	require.LessOrEqual(t, kept(), int64(quota), "what all may bring")
	require.Greater(t, kept(), int64(quota/2))
	require.NotEmpty(t, hub.Repairs(), "the owner is told")
	require.Zero(t, push(1, north), "our own are taken")

	require.NoError(t, hub.Close())
	opt.Random, opt.Index = chacha(63), index.NewMemory()
	before := kept()
	hub, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.Equal(t, before, kept(), "it is known from the journal alone")

	takeIn(stranger)
	require.Zero(t, push(20, stranger), "taken in, all of it comes")
	require.Less(t, kept(), before, "and its room is free")
	require.NoError(t, hub.Close())
}
