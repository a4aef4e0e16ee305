package replication_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is not urgent goes out together, a moment later; a hold that comes meanwhile
// goes at once.
func TestNewsIsGatheredAndAHoldIsNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
		hub.Hub = true
		stream, err := replicationtest.Direct{Responder: responder(t, hub)}.Pull(t.Context(), &pb.PullRequest{
			Device: event.DeviceID(laptop.Replica.Store.PublicKey()), Held: exchange.HeldPB(hub.Replica.Store.Held()),
		})
		require.NoError(t, err)
		type arrival struct {
			after   time.Duration
			records int
		}
		came, start := make(chan arrival, 64), time.Now()
		go func() {
			for m, err := stream.Recv(); err == nil; m, err = stream.Recv() {
				n := 0
				for _, run := range m.Runs {
					n += len(run.Records)
				}
				came <- arrival{time.Since(start), n}
			}
		}()
		taken := func() (all []arrival) {
			for synctest.Wait(); len(came) > 0; {
				all = append(all, <-came)
			}
			return all
		}
		taken()
		thawed, _, err := event.Unwrap(hub.Entry(&pb.BagThawed{}))
		require.NoError(t, err)
		save := func(d store.Draft) {
			_, err := hub.Replica.Store.Append(t.Context(), d)
			require.NoError(t, err)
			synctest.Wait()
		}
		ordinary := store.Draft{Type: thawed, Payload: &pb.BagThawed{Bag: "BAG1"}}
		begun := time.Since(start)
		for range 3 {
			save(ordinary)
			time.Sleep(20 * time.Millisecond)
		}
		require.Empty(t, taken())
		time.Sleep(time.Second)
		require.Equal(t, []arrival{{begun + 100*time.Millisecond, 3}}, taken())
		begun = time.Since(start)
		save(ordinary)
		time.Sleep(20 * time.Millisecond)
		save(store.Draft{Type: event.TypeBatchHeld, Payload: &pb.BatchHeld{Product: "P", Batch: "H-1", Reason: "the maker called"}})
		time.Sleep(time.Second)
		atOnce := arrival{begun + 20*time.Millisecond, 1}
		require.Equal(t, []arrival{atOnce, atOnce}, taken(), "what came before goes with it")
	})
}
