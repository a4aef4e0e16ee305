package replication_test

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/seal"
	pb "thawtrail/proto/thawtrail/v1"
)

// tapped is a link that counts what goes over it, and may be changed.
type tapped struct {
	replication.Peer
	mu     sync.Mutex
	pushes []*pb.PushRequest
	asked  int // bytes of keys compared
	keys   int // keys that came
	old    bool
	mute   bool // keys are not compared
}

func (p *tapped) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	out, err := p.Peer.Hello(ctx, req)
	if err == nil && p.old {
		out.Session = 0
	}
	return out, err
}

func (p *tapped) Push(ctx context.Context, req *pb.PushRequest) (*pb.PushResponse, error) {
	p.mu.Lock()
	p.pushes = append(p.pushes, req)
	p.mu.Unlock()
	return p.Peer.Push(ctx, req)
}

func (p *tapped) Keys(ctx context.Context, req *pb.KeysRequest) (*pb.KeysResponse, error) {
	if p.old || p.mute {
		return nil, errors.New("unknown method")
	}
	out, err := p.Peer.Keys(ctx, req)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked += proto.Size(req) + proto.Size(out)
	p.keys += len(out.GetKeys())
	return out, err
}

// linked runs one link over a tap, until stop is called.
func linked(t *testing.T, laptop *entrytest.Laptop, tap *tapped) (link *replication.Link, stop func()) {
	t.Helper()
	link = replication.NewLink(laptop.Replica, "the hub", func(func()) (replication.Peer, error) { return tap, nil }, replication.Memory{})
	laptop.Link = link
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- link.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	t.Cleanup(stop)
	return link, stop
}

// closedWords counts the keys that records held here need and that are not here.
func closedWords(t *testing.T, l *entrytest.Laptop) (n int) {
	t.Helper()
	eachRecord(t, l, func(rec *event.Record) {
		needed := rec.KeysNeeded()
		n += len(needed) - len(l.Replica.Seals.Find(needed))
	})
	return n
}

// note writes words that only a key opens.
func note(l *entrytest.Laptop, entity string) {
	l.Must(&pb.NoteAdded{EntityKind: "place", Entity: entity, Text: &pb.Sealed{Plain: "the lid sticks"}})
}

func count(l *entrytest.Laptop) int {
	keys, _ := l.Replica.Seals.Since(0, 1<<20)
	return len(keys)
}

// invented are keys that no record needs, of an entity that is held or not.
func invented(t *testing.T, n int, entity event.Key) (keys []*pb.FieldKey) {
	t.Helper()
	for range n {
		key, err := seal.NewKey(rand.Reader)
		require.NoError(t, err)
		keys = append(keys, seal.FieldKey{Key: key, Entity: entity}.PB())
	}
	return keys
}

// placeOf is the id of the first place of a practice.
func placeOf(t *testing.T, l *entrytest.Laptop) string {
	t.Helper()
	out, err := l.ListPlaces(t.Context(), &pb.ListPlacesRequest{})
	require.NoError(t, err)
	return out.Places[0].Place
}

// A member who pushes as many keys as a keyring has room for, of entities that are
// held and of others, fills nothing, and nobody's session ends.
func TestAMemberFillsNoKeyring(t *testing.T) {
	hub, member, other := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2), entrytest.Named(t, "south car", 3)
	hub.Hub = true
	hub.Begin()
	x := responder(t, hub)
	before, id := count(hub), placeOf(t, hub)
	for i := range 70 {
		keys := invented(t, 1000, event.Key{Kind: event.KindClient, ID: fmt.Sprintf("nobody %d", i)})
		if i%2 == 0 {
			keys = invented(t, 60, event.Key{Kind: event.KindPlace, ID: id})
		}
		keys = append(keys, &pb.FieldKey{KeyId: []byte("x"), Key: []byte("no key")})
		_, err := x.Push(t.Context(), &pb.PushRequest{Device: event.DeviceID(member.Replica.Store.PublicKey()), Keys: keys})
		require.NoError(t, err)
	}
	require.Equal(t, before, count(hub))
	note(hub, "north car")
	session(t, other, hub)
	require.Eventually(t, func() bool { return digest(t, other) == digest(t, hub) }, 10*time.Second, 5*time.Millisecond)
	note(other, "north car")
	require.Eventually(t, func() bool { return digest(t, other) == digest(t, hub) }, 10*time.Second, 5*time.Millisecond)
	require.Zero(t, closedWords(t, other))
	require.Zero(t, closedWords(t, hub))
}

// A keyring that was filled before ends no session: records go on.
func TestAFullKeyringEndsNoSession(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	hub.Begin()
	var keys []*pb.FieldKey
	for i := range seal.MaxKeys / seal.MaxPerEntity {
		keys = append(keys, invented(t, seal.MaxPerEntity, event.Key{Kind: event.KindClient, ID: fmt.Sprint(i)})...)
	}
	_, err := hub.Replica.Seals.Take(keys)
	require.NoError(t, err)
	session(t, laptop, hub)
	require.Eventually(t, func() bool { return digest(t, laptop) == digest(t, hub) }, 10*time.Second, 5*time.Millisecond)
	note(laptop, "north car")
	require.Eventually(t, func() bool { return digest(t, laptop) == digest(t, hub) && laptop.Unsent() == 0 }, 20*time.Second, 5*time.Millisecond)
}

// A laptop with many keys sends a hold first, before all of them, to a server that
// compares keys and to an older one.
func TestAHoldGoesBeforeKeys(t *testing.T) {
	for _, old := range []bool{false, true} {
		t.Run(fmt.Sprintf("old server %t", old), func(t *testing.T) {
			hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
			hub.Hub = true
			laptop.Begin()
			for i := range 40 {
				laptop.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: fmt.Sprint("client ", i)}})
			}
			laptop.Must(&pb.BatchHeld{Product: "foal plasma", Batch: "H-2207", Reason: "one foal shook"})
			tap := &tapped{Peer: replicationtest.Direct{Responder: responder(t, hub)}, old: old}
			linked(t, laptop, tap)
			require.Eventually(t, func() bool { return hub.Replica.Store.Records() >= laptop.Replica.Store.Records() }, 10*time.Second, 5*time.Millisecond)
			require.Eventually(t, func() bool { return closedWords(t, hub) == 0 }, 10*time.Second, 5*time.Millisecond)
			tap.mu.Lock()
			defer tap.mu.Unlock()
			first := tap.pushes[0]
			require.Len(t, first.Runs, 1)
			rec, err := event.Decode(first.Runs[0].Records[len(first.Runs[0].Records)-1])
			require.NoError(t, err)
			require.Equal(t, event.TypeBatchHeld, rec.Head.Type)
			require.LessOrEqual(t, len(first.Keys), 1, "and nothing but its own key")
		})
	}
}

// What is acknowledged can be read: the keys of a batch are taken with it.
func TestKeysOfABatchAreTakenWithIt(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	laptop.Begin()
	note(laptop, "north car")
	tap := &tapped{Peer: replicationtest.Direct{Responder: responder(t, hub)}, mute: true}
	_, stop := linked(t, laptop, tap)
	require.Eventually(t, func() bool { return laptop.Unsent() == 0 }, 10*time.Second, time.Millisecond)
	require.Zero(t, closedWords(t, hub), "at the moment at which it is told as sent")
	stop()
}

// Two that hold the same keys compare two kilobytes a session and send none; what
// one of them lost is asked for, in either direction.
func TestKeysAreComparedByTheirIDs(t *testing.T) {
	hub, laptop := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	laptop.Begin()
	for i := range 300 {
		laptop.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: fmt.Sprint("client ", i)}})
	}
	x := responder(t, hub)
	again := func(lost *entrytest.Laptop) *tapped {
		if lost != nil {
			kept := 0
			_, err := lost.Replica.Seals.(keeper).Keep(func([]byte) bool { kept++; return kept > 100 })
			require.NoError(t, err)
			require.NotZero(t, closedWords(t, lost))
		}
		tap := &tapped{Peer: replicationtest.Direct{Responder: x}}
		_, stop := linked(t, laptop, tap)
		require.Eventually(t, func() bool {
			tap.mu.Lock()
			defer tap.mu.Unlock()
			return tap.asked > 0
		}, 10*time.Second, 5*time.Millisecond)
		require.Eventually(t, func() bool { return laptop.Unsent() == 0 }, 10*time.Second, 5*time.Millisecond)
		require.Eventually(t, func() bool { return closedWords(t, hub) == 0 && closedWords(t, laptop) == 0 }, 10*time.Second, 5*time.Millisecond)
		stop()
		return tap
	}
	again(nil)
	quiet := again(nil)
	require.Less(t, quiet.asked, 5000)
	require.Zero(t, quiet.keys)
	for _, p := range quiet.pushes {
		require.Zero(t, len(p.Keys))
	}
	require.Equal(t, 100, again(laptop).keys)
	pushed := 0
	for _, p := range again(hub).pushes {
		pushed += len(p.Keys)
	}
	require.Equal(t, 100, pushed)
}

// keeper drops keys, as a loss would.
type keeper interface {
	Keep(needed func([]byte) bool) (int, error)
}

// An older laptop pushes all its keys ahead of its records and knows no ids.
func TestAnOlderLaptopAndKeys(t *testing.T) {
	hub, older := entrytest.Named(t, "clinic", 1), entrytest.Named(t, "north car", 2)
	hub.Hub = true
	hub.Begin()
	note(hub, "north car")
	older.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	older.Must(&pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	note(older, "north car")
	tap := &tapped{Peer: replicationtest.Direct{Responder: responder(t, hub)}, old: true}
	linked(t, older, tap)
	require.Eventually(t, func() bool { return digest(t, older) == digest(t, hub) }, 10*time.Second, 5*time.Millisecond)
	require.Eventually(t, func() bool { return closedWords(t, hub) == 0 && closedWords(t, older) == 0 }, 10*time.Second, 5*time.Millisecond)
}
