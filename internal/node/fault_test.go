package node

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/access"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replication"
	"thawtrail/internal/replication/replicationtest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// failing is an index whose updates fail once told so.
type failing struct {
	index.Index
	err atomic.Pointer[error]
}

func (f *failing) Update(fn func(index.Writer) error) error {
	if err := f.err.Load(); err != nil {
		return *err
	}
	return f.Index.Update(fn)
}

func (f *failing) fail(err error) { f.err.Store(&err) }

// side is a whole program of one of the two kinds: every loop and service, and no
// folder but a door.
type side struct {
	*entrytest.Laptop
	t     *testing.T
	index *failing
	disk  *memfs.FS
	ended chan error
	node  *Node
	looks time.Duration // how often it looks at what is watched; 0: as in earnest
}

func newSide(t *testing.T, name string, seed byte) *side {
	t.Helper()
	s, err := openSide(t, name, seed, memfs.New())
	require.NoError(t, err)
	return s
}

// openSide opens one on a disk that may have failed or fail.
func openSide(t *testing.T, name string, seed byte, disk *memfs.FS) (*side, error) {
	t.Helper()
	s := &side{t: t, index: &failing{Index: index.NewMemory()}, disk: disk, ended: make(chan error, 1)}
	var err error
	if s.Laptop, err = entrytest.On(t, name, seed, rand.Reader, disk, s.index); err != nil {
		return nil, err
	}
	t.Cleanup(func() { require.NoError(t, s.Store.Close()) })
	return s, nil
}

// run runs it until the test ends.
func (s *side) run(loops ...func(context.Context) error) {
	s.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(s.t, err)
	ready := make(chan string, 1)
	n := &Node{
		Replica: s.Replica, Data: s.t.TempDir(), Listener: l, Pages: "127.0.0.1:0", PagesReady: func(string) {}, Metrics: "127.0.0.1:0",
		Practice: func() string { return "" }, Epoch: func() string { return "first" },
		Ready: func(addr string) { ready <- addr },
	}
	n.watchEvery, s.node = s.looks, n
	for i, loop := range loops {
		n.Loops = append(n.Loops, Part{Name: fmt.Sprintf("added %d", i), Run: loop})
	}
	ctx, stop := context.WithCancel(s.t.Context())
	go func() { s.ended <- n.Run(ctx) }()
	s.t.Cleanup(func() {
		stop()
		require.NoError(s.t, <-s.ended)
	})
	<-ready
}

// goesOn fails the test when the program has ended.
func (s *side) goesOn() {
	s.t.Helper()
	select {
	case err := <-s.ended:
		s.ended <- nil
		require.Failf(s.t, "the program ended", "%v", err)
	default:
	}
}

// practice is a server and an agent, both whole, joined without a network.
func practice(t *testing.T) (hub, laptop *side) {
	t.Helper()
	hub, laptop = newSide(t, "clinic", 1), newSide(t, "north car", 2)
	hub.Begin()
	meet(t, hub, laptop)
	require.Eventually(t, func() bool { return laptop.Store.Records() == hub.Store.Records() }, 10*time.Second, 5*time.Millisecond)
	return hub, laptop
}

// meet runs a server and an agent, joined without a network, until the test ends.
func meet(t *testing.T, hub, laptop *side) {
	t.Helper()
	hub.Hub = true
	link := replicationtest.Join(laptop.Replica, hub.Replica, t.Context().Done())
	members, err := access.NewMembers(t.Context(), hub.Replica, &authority.Links{}, access.Charter{})
	require.NoError(t, err)
	statements, err := replication.NewStatements(t.Context(), hub.Replica, "first")
	require.NoError(t, err)
	hub.run(func(ctx context.Context) error { return statements.Run(ctx, 50*time.Millisecond) }, members.Watch)
	laptop.run(link.Run)
}

func (s *side) note() *pb.WriteResponse {
	s.t.Helper()
	return s.Must(&pb.NoteAdded{EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: "the lid sticks"}})
}

// An agent and a server whose index cannot be written, whatever the reason, go on:
// entries are saved, records travel both ways, and the status names the part.
func TestAFailingIndexEndsNeitherSide(t *testing.T) {
	for name, why := range map[string]error{"nearly full": index.ErrNoSpace, "failing": errors.New("input/output error")} {
		t.Run(name, func(t *testing.T) {
			hub, laptop := practice(t)
			laptop.index.fail(why)
			hub.index.fail(why)
			for range 3 {
				laptop.note()
				hub.goesOn()
				laptop.goesOn()
			}
			require.Eventually(t, func() bool {
				laptop.goesOn()
				hub.goesOn()
				return laptop.Unsent() == 0
			}, 10*time.Second, 5*time.Millisecond, "what is saved is sent")
			for _, s := range []*side{hub, laptop} {
				var down []*pb.PartRow
				require.Eventually(t, func() bool {
					down = s.status().Parts
					return len(down) > 0
				}, 10*time.Second, 5*time.Millisecond)
				require.Equal(t, "index on the disk", down[0].Part)
				require.Contains(t, down[0].Problem, why.Error())
			}
		})
	}
}

func (s *side) status() *pb.GetStatusResponse {
	s.t.Helper()
	out, err := s.GetStatus(s.t.Context(), &pb.GetStatusRequest{})
	require.NoError(s.t, err)
	return out
}

// A disk that fills to the last byte: the vet's entries are saved as long as the
// reserve does and say what is left, everything saved is sent, the one that does not
// fit is refused in plain words, and with room again all is as before.
func TestADiskThatFills(t *testing.T) {
	hub, laptop := practice(t)
	laptop.index.fail(index.ErrNoSpace)
	free, err := laptop.disk.Free("")
	require.NoError(t, err)
	require.Greater(t, free, uint64(1<<30))
	laptop.disk.SetCapacity(1<<20 + 200<<10) // the reserve, and little more
	laptop.note()
	require.Eventually(t, func() bool { return len(laptop.status().Parts) > 0 }, 10*time.Second, time.Millisecond)
	saved, told := 0, 0
	for {
		out, err := laptop.Write(t.Context(), &pb.WriteRequest{Entry: laptop.Entry(&pb.NoteAdded{
			EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: strings.Repeat("the lid sticks. ", 240)}})})
		laptop.goesOn()
		if err != nil {
			require.ErrorContains(t, err, "not saved: the disk of this machine is full")
			break
		}
		saved++
		require.Equal(t, "disk_nearly_full", out.Cautions[len(out.Cautions)-1].Code)
		left := laptop.status().GetRoomLeftBytes()
		require.True(t, told == 0 || left <= int64(told), "what is left gets less")
		told = int(left)
	}
	require.Greater(t, saved, 100, "the reserve took them")
	require.Less(t, told, 20_000)
	require.Contains(t, laptop.status().Parts[0].Problem, "too little room")
	require.Eventually(t, func() bool {
		laptop.goesOn()
		return laptop.Unsent() == 0
	}, 20*time.Second, 5*time.Millisecond, "a laptop without room sends what it holds")
	hub.note()
	require.Eventually(t, func() bool { return strings.HasPrefix(laptop.status().Link, "connected, but the disk is full") },
		10*time.Second, 5*time.Millisecond, "and stays connected when it can take nothing")

	laptop.disk.SetCapacity(0)
	laptop.index.err.Store(nil)
	laptop.note()
	require.Eventually(t, func() bool {
		st := laptop.status()
		return len(st.Parts) == 0 && laptop.Unsent() == 0 && hub.Store.Records() == laptop.Store.Records()
	}, 20*time.Second, 5*time.Millisecond)
	laptop.Clock.Advance(2 * time.Minute)
	laptop.note()
	require.Nil(t, laptop.status().RoomLeftBytes, "the reserve is in place again")
}
