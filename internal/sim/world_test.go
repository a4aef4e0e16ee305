package sim

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
)

var ctx = context.Background()

// start is when every simulated night begins.
var start = time.Date(2026, 11, 20, 21, 0, 0, 0, time.UTC)

const practiceName = "Alder Creek Equine"

// authorityKey signs for the practice: the key of the recovery sheet.
var authorityKey = ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))

// dir is where a replica lies on its disk.
const dir = "replica"

// step is one thing that happens; everything inside it follows from seed.
type step struct {
	name string
	node int
	seed uint64
}

func (s step) String() string { return fmt.Sprintf("%s %d %d", s.name, s.node, s.seed) }

// world is a practice under simulation.
type world struct {
	seed     uint64
	nodes    []*node
	hub      *node
	sessions []*session
	flying   []*message
	stale    []*pb.Run // runs that were sent once and may come again
	parted   map[[2]int]bool
	joined   trust.Joined
	fence    fence  // of the hub's records
	epoch    string // of the hub
	founded  *event.Record
	decoded  map[string]*event.Record // by their bytes
	ids      int                      // numbers bags, cases and sessions
	did      map[string]int
	log      []string // what happened, in words
}

// node is one machine.
type node struct {
	w          *world
	id         int
	name       string
	hub        bool
	key        ed25519.PrivateKey
	fs         *memfs.FS
	index      *indextest.Trail
	clock      *clock.Manual
	store      *store.Store // nil while the machine is off
	ring       []byte       // the saved keys of sealed fields
	kept       []byte       // what the link keeps of the hub
	replica    *replica.Replica
	link       *replication.Link
	responder  *replication.Responder
	statements *replication.Statements
	told       told // acknowledged and not looked for yet
	opens      uint64
	acked      map[event.Hash]*event.Record
	// hurt are records whose frame was damaged here and that were not refilled yet,
	// with where they lay.
	hurt map[event.Hash]journal.Position
	// decayed are all records whose frame was ever damaged here.
	decayed map[event.Hash]*event.Record
	closed  map[event.LogID]bool // own logs that this machine gave up for new ones
	found   *found               // by read, while the disk stays as it is; nil after a start
	shown   ledgertest.History
	backup  *backup
	// unaware says that the store may not know of some damage: it has not built
	// its index from the journal since. A scrub is forgotten by a restart.
	unaware, scrubbed bool
	sick              bool  // a hook makes its disk fail
	taker             *node // of a process of the hub from which the practice was taken: who has it now
	full              bool
	// refused counts moves of the store when a write last failed. Until the next
	// write that holds, or a restart, the disk may show records that were refused.
	refused uint64
}

// backup is an older copy of a disk.
type backup struct {
	fs    *memfs.FS
	trail *indextest.Trail
	acked map[event.Hash]*event.Record
	hurt  map[event.Hash]journal.Position

	ring    []byte
	kept    []byte
	unaware bool
	closed  map[event.LogID]bool
}

// broken is a violated law. It ends the run.
type broken struct{ what string }

func (b broken) Error() string { return b.what }

func (w *world) fail(format string, args ...any) { panic(broken{fmt.Sprintf(format, args...)}) }

// did counts a fault that really happened.
func (w *world) count(what string) { w.did[what]++ }

func pcg(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x7468617774726169)) }

// newWorld builds a practice of a hub and laptops that all know each other.
func newWorld(seed uint64) *world {
	w := &world{
		seed: seed, parted: map[[2]int]bool{}, did: map[string]int{}, decoded: map[string]*event.Record{}, epoch: "epoch 0",
		joined: trust.Joined{Practice: "practice", PracticeName: practiceName},
	}
	r := pcg(seed)
	for i := range 4 + r.IntN(3) {
		name := fmt.Sprintf("laptop %d", i)
		if i == 0 {
			name = "hub"
		}
		n := w.add(name, seed*100+uint64(i), memfs.New(), &indextest.Trail{})
		n.hub = i == 0
		n.clock.Advance(time.Duration(r.IntN(600)-300) * time.Second)
		n.open()
	}
	w.hub = w.nodes[0]
	w.found()
	return w
}

func (w *world) add(name string, key uint64, fs *memfs.FS, index *indextest.Trail) *node {
	seed := sha256.Sum256(binary.BigEndian.AppendUint64([]byte("device"), key))
	n := &node{
		w: w, id: len(w.nodes), name: name, key: ed25519.NewKeyFromSeed(seed[:]), fs: fs, index: index,
		clock: clock.NewManual(start), acked: map[event.Hash]*event.Record{}, hurt: map[event.Hash]journal.Position{},
		decayed: map[event.Hash]*event.Record{}, closed: map[event.LogID]bool{},
	}
	w.nodes = append(w.nodes, n)
	return n
}

// found begins the practice on the hub and lets the laptops in.
func (w *world) found() {
	recs := w.hub.must(store.Draft{Type: event.TypePracticeFounded, Author: "owner", Payload: &pb.PracticeFounded{
		Practice: "practice", Name: practiceName, Zone: "Australia/Sydney", Currency: "AUD", Owner: "owner", OwnerName: "M. Alder",
		Authority: authorityKey.Public().(ed25519.PublicKey),
	}})
	w.founded = recs[0]
	w.joined.Founding = w.founded.Hash[:]
	var drafts []store.Draft
	for _, n := range w.nodes[1:] {
		public := n.key.Public().(ed25519.PublicKey)
		drafts = append(drafts,
			store.Draft{Type: event.TypeDeviceAdded, Author: "owner", Grant: w.founded.Hash[:],
				Payload: &pb.DeviceAdded{Device: event.DeviceID(public), PublicKey: public, Name: n.name}},
			store.Draft{Type: event.TypeRoleGranted, Author: "owner", Grant: w.founded.Hash[:],
				Payload: &pb.RoleGranted{Person: n.person(), Roles: []pb.Role{pb.Role_ROLE_VET}}})
	}
	w.hub.must(drafts...)
}

func (n *node) must(drafts ...store.Draft) []*event.Record {
	recs, err := n.append(drafts...)
	if err != nil {
		n.w.fail("%s cannot write at the start: %v", n.name, err)
	}
	return recs
}

func (n *node) person() string { return fmt.Sprintf("vet%d", n.id) }

// random seeds what the node draws since it was opened last.
func (n *node) random() (seed [32]byte) {
	binary.BigEndian.PutUint64(seed[:], n.w.seed)
	binary.BigEndian.PutUint64(seed[8:], uint64(n.id))
	binary.BigEndian.PutUint64(seed[16:], n.opens)
	return seed
}

func (n *node) options() store.Options {
	o := store.Options{
		Dir: dir, FS: n.fs, Index: n.index, Clock: n.clock, Random: rand.NewChaCha8(n.random()),
		Device: n.key, DeviceName: n.name, Version: "sim", SegmentMax: 16 << 10,
		Far: []int{0, 1, 8}[n.w.seed%3],
	}
	if n.hub {
		o.Truth = n.w.fence.open(store.OpenJournal(o.FS, o.Dir, o.SegmentMax))
	}
	if n.w.seed%4 == 1 {
		o.Key, o.KeyID = make([]byte, 32), "sim"
	}
	return o
}

// tryOpen starts the machine. It may fail when its disk is sick or full.
func (n *node) tryOpen() error {
	n.opens++
	n.unaware, n.scrubbed = n.unaware && n.index.Len() > 0, false
	n.index = n.index.Reopened()
	n.found = nil
	s, err := store.Open(ctx, n.options())
	if err != nil {
		return err
	}
	n.store, n.refused = s, 0
	n.boot()
	return nil
}

// moves counts what the store saved since it was opened, from 1.
func (n *node) moves() uint64 {
	_, upto, _ := n.store.MovedSince(math.MaxUint64)
	return upto + 1
}

// unsettled says that the disk may show more than the store holds.
func (n *node) unsettled() bool { return n.refused == n.moves() }

// open starts the machine on a healthy disk.
func (n *node) open() {
	if err := n.tryOpen(); err != nil {
		n.w.fail("%s does not open: %v", n.name, err)
	}
	n.w.check(n)
}

// append writes records; those it returns are acknowledged.
func (n *node) append(drafts ...store.Draft) ([]*event.Record, error) {
	recs, err := n.store.Append(ctx, drafts...)
	return n.appended(recs, err)
}

// appended notes what came of an append.
func (n *node) appended(recs []*event.Record, err error) ([]*event.Record, error) {
	if err != nil {
		n.refused = n.moves()
	}
	for _, r := range recs {
		if n.closed[r.Log] {
			n.w.fail("%s writes on in log %s, which it had given up", n.name, r.Log.Short())
		}
	}
	n.acknowledge(recs)
	return recs, err
}

func (n *node) acknowledge(recs []*event.Record) {
	for _, r := range recs {
		n.acked[r.Hash] = r
		delete(n.hurt, r.Hash)
	}
}

// ingest takes runs; what it accepts is acknowledged.
func (n *node) ingest(runs []*pb.Run) ([]store.RunResult, error) {
	own := n.store.OwnLogs()
	results, err := n.store.Ingest(ctx, runs)
	if !slices.Equal(own, n.store.OwnLogs()) {
		n.gaveUp(own)
	}
	if err != nil && !n.sick && !n.full && n.index.Refuse == nil {
		n.w.fail("%s cannot take a run: %v", n.name, err)
	}
	if err != nil {
		n.refused = n.moves()
	}
	for _, r := range results {
		n.acknowledge(r.Accepted)
	}
	return results, err
}

// off drops the store without closing it, as when the machine stops.
func (n *node) off() {
	n.store = nil
	n.w.hangUp(func(s *session) bool { return s.a == n || s.b == n || s.b.taker == n })
	n.w.flying = slices.DeleteFunc(n.w.flying, func(m *message) bool { return m.to == n || m.to.taker == n })
}

// run does steps until a law is broken.
func (w *world) run(steps []step) (err error) {
	defer func() {
		if p := recover(); p != nil {
			var b broken
			if e, ok := p.(error); !ok || !errors.As(e, &b) {
				panic(p)
			}
			err = b
		}
	}()
	for _, s := range steps {
		w.do(s)
	}
	w.heal()
	return nil
}

// do does one step. A step that makes no sense now does nothing.
func (w *world) do(s step) {
	act, ok := actions[s.name]
	if !ok {
		w.fail("no action is called %q", s.name)
	}
	n := w.nodes[s.node%len(w.nodes)]
	w.log = append(w.log, s.String())
	n.clock.Advance(time.Duration(s.seed%90) * time.Second)
	act(w, n, pcg(s.seed))
	w.check(n)
	w.pumpAll()
	if s.seed%16 == 0 {
		w.checkFold(n)
	}
	if s.seed%8 == 1 {
		w.checkShown(n)
	}
}

func (w *world) story() string { return strings.Join(w.log, "\n") }
