package rpc

import (
	"crypto/rand"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/semaphore"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// While a disk does not answer, what laptops bring is taken as far as there is room, of the
// practice and of the process; then it is refused, and a vet's few records are not. All that
// was taken is saved when the disk answers, and there is as much room as before.
func TestWhatWaitsToBeSavedIsBounded(t *testing.T) {
	laptop := entrytest.Named(t, "north car", 2)
	laptop.Begin()
	for range 200 {
		laptop.Must(&pb.NoteAdded{EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: strings.Repeat("the lid sticks. ", 200)}})
	}
	log := laptop.Store.OwnLogs()[0]
	many, next, err := laptop.Store.ReadRun(t.Context(), log, 0, exchange.MaxBatchBytes/2)
	require.NoError(t, err)
	few, _, err := laptop.Store.ReadRun(t.Context(), log, 0, fewBytes/2)
	require.NoError(t, err)

	disk := memfs.New()
	hub, err := entrytest.On(t, "clinic", 1, rand.Reader, disk, index.NewMemory())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, hub.Store.Close()) })
	answers := make(chan struct{})
	answer := sync.OnceFunc(func() { close(answers) })
	t.Cleanup(answer)
	disk.SetHook(func(op memfs.Op) memfs.Fault {
		if op.Kind == memfs.Write {
			<-answers
		}
		return memfs.Fault{}
	})
	const room = 2 << 20
	responder := replicationtest.Responder(hub.Replica, t.Context().Done())
	shared := semaphore.NewWeighted(room + room/2)
	one := exchangeService{responder: responder, rooms: rooms{semaphore.NewWeighted(room), shared}}
	another := exchangeService{responder: responder, rooms: rooms{semaphore.NewWeighted(room), shared}}

	var pushes sync.WaitGroup
	var refused atomic.Int64
	push := func(s exchangeService, run *pb.Run) {
		pushes.Go(func() {
			_, err := s.Push(t.Context(), &pb.PushRequest{Device: laptop.Store.Device(), Runs: []*pb.Run{run}})
			if err != nil {
				assert.ErrorIs(t, err, refusal.ErrTooMuch)
				refused.Add(1)
			}
		})
	}
	refusals := func(want int64) {
		require.Eventually(t, func() bool { return refused.Load() == want }, 20*time.Second, time.Millisecond)
	}
	batch := proto.Size(&pb.PushRequest{Device: laptop.Store.Device(), Runs: []*pb.Run{many}})
	own, both := room/batch, (room+room/2)/batch
	for range 10 {
		push(one, many)
	}
	refusals(int64(10 - own))
	for range 10 {
		push(another, many)
	}
	refusals(int64(20 - both))
	push(one, few)
	answer()
	pushes.Wait()
	require.EqualValues(t, 20-both, refused.Load(), "few records wait, and are not turned away")
	held, _ := hub.Store.HeldOne(log)
	require.Len(t, held.Tips, 1)
	require.Equal(t, next-1, held.Tips[0].Seq, "what was taken is saved")
	require.True(t, one.rooms[0].TryAcquire(room) && shared.TryAcquire(room/2), "there is room again")
}
