// Package ledgertest writes signed records for tests: devices with two logs
// each, their clocks, what they have seen, and the practice that admits them.
//
//	w := ledgertest.New(t)
//	barn, clinic := w.Device("barn"), w.Device("clinic")
//	w.Found(clinic)                  // clinic's owner founds the practice
//	w.Admit(clinic, barn)
//	vet := w.Grant(clinic, "reed", pb.Role_ROLE_VET)
//	hold := clinic.Write(&pb.BatchHeld{…})
//	barn.Hear(hold)                  // adopts the clock and says so
//	barn.Write(&pb.TransfusionStarted{…}, ledgertest.At(t0), ledgertest.By("reed", vet))
//
// Everything is determined by the calls: keys come from names, and time moves
// only by the builder's own clock.
package ledgertest

import (
	"crypto/ed25519"
	"crypto/sha256"
	"maps"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// Start is the time at which every world begins.
var Start = time.Date(2026, 11, 20, 20, 0, 0, 0, time.UTC)

// Zone stands in every told time.
const Zone = "Australia/Sydney"

// World is a practice under test.
type World struct {
	tb      testing.TB
	now     time.Time
	records []*event.Record
	owner   string
	founded *event.Record
}

// New begins a world at Start.
func New(tb testing.TB) *World { return &World{tb: tb, now: Start} }

// Now is the true time. Each record moves it on by a second.
func (w *World) Now() time.Time { return w.now }

// Pass lets time go by.
func (w *World) Pass(d time.Duration) { w.now = w.now.Add(d) }

// Records lists everything written so far, in the order in which it was written.
func (w *World) Records() []*event.Record { return slices.Clone(w.records) }

// Device is one laptop: one key, an ordinary and an urgent log.
type Device struct {
	w       *World
	Name    string
	Key     ed25519.PrivateKey
	Boot    []byte
	Offset  time.Duration   // added to the true time by its wall clock
	offset  *pb.ClockOffset // as last measured
	epoch   uint32
	hlc     int64
	hubUs   int64
	lanes   map[pb.Lane]*event.Record // newest record of each log
	seen    []*pb.Tip                 // to be told by the next record
	author  string
	grant   *event.Record
	lastWal int64
}

// Device makes a laptop. It opens its two logs at once.
func (w *World) Device(name string) *Device {
	seed := sha256.Sum256([]byte("device " + name))
	d := &Device{
		w: w, Name: name, Key: ed25519.NewKeyFromSeed(seed[:]), Boot: seed[:8],
		lanes: map[pb.Lane]*event.Record{},
	}
	d.open("new laptop")
	return d
}

// Public is the device's public key.
func (d *Device) Public() ed25519.PublicKey { return d.Key.Public().(ed25519.PublicKey) }

// ID is the device's id, as rights records name it.
func (d *Device) ID() []byte { return event.DeviceID(d.Public()) }

// Log is the id of the device's newest ordinary log.
func (d *Device) Log() event.LogID { return d.lanes[pb.Lane_LANE_ORDINARY].Log }

// UrgentLog is the id of the device's newest urgent log.
func (d *Device) UrgentLog() event.LogID { return d.lanes[pb.Lane_LANE_URGENT].Log }

// Tips are the newest records of the device's two logs.
func (d *Device) Tips() []*pb.Tip {
	return []*pb.Tip{TipOf(d.lanes[pb.Lane_LANE_ORDINARY]), TipOf(d.lanes[pb.Lane_LANE_URGENT])}
}

// TipOf names a record as the newest of its log.
func TipOf(r *event.Record) *pb.Tip {
	return &pb.Tip{Log: r.Log[:], Seq: r.Seq(), Hash: r.Hash[:]}
}

// NewEpoch opens new logs, as after a restored backup.
func (d *Device) NewEpoch(reason string) {
	d.epoch++
	d.open(reason)
}

// Reboot starts the machine again: a new boot id.
func (d *Device) Reboot() {
	sum := sha256.Sum256(d.Boot)
	d.Boot = sum[:8]
}

func (d *Device) open(reason string) {
	var before []*pb.Tip
	if d.epoch > 0 {
		before = d.Tips()
	}
	for _, lane := range []pb.Lane{pb.Lane_LANE_ORDINARY, pb.Lane_LANE_URGENT} {
		nonce := sha256.Sum256([]byte{byte(lane), byte(d.epoch)})
		delete(d.lanes, lane)
		d.write(event.TypeLogOpened, &pb.LogOpened{
			PublicKey: d.Public(), Lane: lane, Epoch: d.epoch, Predecessors: before,
			Reason: reason, DeviceName: d.Name, Nonce: nonce[:16],
		}, lane, options{})
	}
}

// SignsAs sets the person who writes, and the grant that person relies on.
func (d *Device) SignsAs(person string, grant *event.Record) { d.author, d.grant = person, grant }

// Measure lets the device find out how far its clock is off.
func (d *Device) Measure() {
	d.offset = &pb.ClockOffset{OffsetUs: -d.Offset.Microseconds(), BoundUs: 20_000, MeasuredUs: d.w.now.Add(d.Offset).UnixMicro()}
}

// See lets records reach the device, by whatever path.
func (d *Device) See(records ...*event.Record) {
	for _, r := range records {
		d.hlc = max(d.hlc, r.Head.HlcUs)
		d.seen = append(d.seen, TipOf(r))
		if h, ok := payload(r).(*pb.HubStatement); ok {
			d.hubUs = max(d.hubUs, h.WallUs)
		}
	}
}

// Hear lets a hold or recall reach the device, which says so.
func (d *Device) Hear(hold *event.Record) *event.Record {
	previous := d.lastWal
	d.See(hold)
	h := &pb.Heard{Hold: hold.Hash[:], PreviousWallUs: previous}
	switch p := payload(hold).(type) {
	case *pb.BatchHeld:
		h.Product, h.Batch = p.Product, p.Batch
	case *pb.BatchRecalled:
		h.Product, h.Batch = p.Product, p.Batch
	default:
		d.w.tb.Fatalf("ledgertest: %T is no hold", p)
	}
	return d.Write(h)
}

// Write writes a record into the lane that its type belongs to.
func (d *Device) Write(body proto.Message, opts ...Option) *event.Record {
	d.w.tb.Helper()
	o := options{author: d.author, grant: d.grant, typ: typeOf(body)}
	for _, opt := range opts {
		opt(&o)
	}
	lane := pb.Lane_LANE_ORDINARY
	if spec, ok := event.Lookup(o.typ); ok && spec.Rule.GetUrgent() {
		lane = pb.Lane_LANE_URGENT
	}
	return d.write(o.typ, body, lane, o)
}

func (d *Device) write(typ event.Type, body proto.Message, lane pb.Lane, o options) *event.Record {
	d.w.tb.Helper()
	wall := d.w.now.Add(d.Offset).UnixMicro()
	d.w.now = d.w.now.Add(time.Second)
	d.hlc = event.NextHLC(wall, d.hlc)
	head := d.head(typ, wall, o)
	if tip := d.lanes[lane]; tip != nil {
		head.Log, head.Seq, head.Prev = tip.Log[:], tip.Seq()+1, tip.Hash[:]
	}
	for _, k := range append(event.KeysOf(typ, body, time.UnixMilli(head.OccurredAt.UnixMs)), o.entities...) {
		head.Entities = append(head.Entities, &pb.EntityKey{Kind: k.Kind, Id: k.ID})
	}
	r := d.seal(head, body, o)
	d.lanes[lane], d.lastWal, d.seen = r, wall, nil
	d.w.records = append(d.w.records, r)
	return r
}

func (d *Device) head(typ event.Type, wall int64, o options) *pb.Header {
	head := &pb.Header{
		HlcUs: d.hlc, WallUs: wall, Device: event.DeviceID(d.Key.Public().(ed25519.PublicKey)), Boot: d.Boot, Seen: d.seen, Type: typ, Critical: true,
		RequestId: o.request, Author: o.author, HubUs: d.hubUs, Offset: d.offset,
		OccurredAt: &pb.Moment{
			UnixMs: wall/1000 - o.asked.Milliseconds(), Zone: Zone, Precision: pb.Precision_PRECISION_SECOND,
			Source: pb.TimeSource_TIME_SOURCE_NOW,
		},
	}
	if !o.at.IsZero() {
		head.OccurredAt.UnixMs = o.at.UnixMilli()
		head.OccurredAt.Source = pb.TimeSource_TIME_SOURCE_TYPED
	}
	if o.grant != nil {
		head.Grant = o.grant.Hash[:]
	}
	return head
}

func (d *Device) seal(head *pb.Header, body proto.Message, o options) *event.Record {
	d.w.tb.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(body)
	if err != nil {
		d.w.tb.Fatal(err)
	}
	if o.raw != nil {
		b = o.raw
	}
	r, err := event.Seal(head, b, func(m []byte) []byte { return ed25519.Sign(d.Key, m) })
	if err != nil {
		d.w.tb.Fatal(err)
	}
	return r
}

// Fork remembers where the device's logs and the clocks stand. Calling back puts
// them there again, as a copied disk does: what is written next takes the same
// places, at the same time.
func (d *Device) Fork() (back func()) {
	lanes, hlc, now := maps.Clone(d.lanes), d.hlc, d.w.now
	return func() { d.lanes, d.hlc, d.w.now = maps.Clone(lanes), hlc, now }
}

// Correct replaces a record by another payload, or voids it when to is nil. The
// correction touches the entities of both.
func (d *Device) Correct(original *event.Record, to proto.Message, opts ...Option) *event.Record {
	d.w.tb.Helper()
	c := &pb.Corrected{Original: original.Hash.String(), Void: to == nil, Type: original.Head.Type, Reason: "typed wrong"}
	keys := original.Touches()
	if to != nil {
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(to)
		if err != nil {
			d.w.tb.Fatal(err)
		}
		c.Payload = b
		if payload(original).ProtoReflect().Descriptor() != to.ProtoReflect().Descriptor() {
			c.Type = typeOf(to)
		}
		for _, k := range event.KeysOf(c.Type, to, time.UnixMilli(original.OccurredMs())) {
			if !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
	}
	o := options{}
	for _, opt := range opts {
		opt(&o)
	}
	for _, k := range o.known {
		c.Known = append(c.Known, k.Hash[:])
	}
	c.OccurredAt = &pb.Moment{UnixMs: original.OccurredMs(), Zone: Zone}
	if !o.moved.IsZero() {
		c.OccurredAt.UnixMs = o.moved.UnixMilli()
	}
	return d.Write(c, append(opts, Touching(keys...))...)
}

// Found founds the practice: its first owner works at the device from now on.
func (w *World) Found(d *Device, change ...func(*pb.PracticeFounded)) *event.Record {
	w.owner = "owner"
	d.author = w.owner
	founding := &pb.PracticeFounded{
		Practice: "practice", Name: "Alder Creek Equine", Zone: Zone, Currency: "AUD", Owner: w.owner, OwnerName: "M. Alder",
	}
	for _, f := range change {
		f(founding)
	}
	w.founded = d.Write(founding)
	d.SignsAs(w.owner, w.founded)
	return w.founded
}

// Admit lets the founder, at one device, take another device in.
func (w *World) Admit(at, device *Device) *event.Record {
	r := at.Write(&pb.DeviceAdded{Device: device.ID(), PublicKey: device.Public(), Name: device.Name}, By(w.owner, w.founded))
	device.See(r)
	return r
}

// Grant lets the founder, at a device, give a person roles.
func (w *World) Grant(at *Device, person string, roles ...pb.Role) *event.Record {
	return at.Write(&pb.RoleGranted{Person: person, Roles: roles}, By(w.owner, w.founded))
}

// Inputs prepares the records for the fold of one entity, as a store does: it
// keeps those that touch the entity, and for a log its forked records too, and
// the words of others that do not fit with what they name;
// leaves out those whose log is not in; and says who was entitled and what is
// forked.
func Inputs(key event.Key, records []*event.Record) []ledger.Input {
	return InputsWith(key, records, Odd(key, records))
}

// InputsWith is Inputs of a store that found odd, by now or once, what is listed.
// A store never takes such a record back: it cannot know what else made it touch
// the entity.
func InputsWith(key event.Key, records []*event.Record, odd map[Oddity]bool) []ledger.Input {
	rights := Rights(records)
	told := map[event.Hash]bool{}
	for o := range odd {
		told[o.Record] = true
	}
	forked := forkedAt(records)
	var out []ledger.Input
	for _, r := range records {
		standing := rights.Standing(r)
		fork := forked[place{r.Log, r.Seq()}] > 1
		touches := slices.Contains(r.Touches(), key) || fork && event.LogKey(r.Log) == key || told[r.Hash]
		if touches && (standing.In || key == event.RightsKey) {
			out = append(out, ledger.Input{Rec: r, Payload: payload(r), Entitled: standing.Entitled, Forked: fork})
		}
	}
	return out
}

// Oddity is a word that does not fit: a record that says it, or one that stands at
// its place, and the word. A record can say several, and each comes to light when
// something arrives at its place.
type Oddity struct {
	Record event.Hash
	Seq    uint64
	Named  event.Hash
}

// Odd finds the records that name, as a tip that was seen or stated, a record
// of a log where only others are held; and those others.
func Odd(key event.Key, records []*event.Record) map[Oddity]bool {
	held := map[uint64][]*event.Record{}
	for _, r := range records {
		if event.LogKey(r.Log) == key {
			held[r.Seq()] = append(held[r.Seq()], r)
		}
	}
	out := map[Oddity]bool{}
	for _, r := range records {
		tips := slices.Clone(r.Head.Seen)
		if p, ok := payload(r).(*pb.HubStatement); ok {
			for _, a := range p.Accepted {
				tips = append(tips, a.Tip)
			}
		}
		for _, tip := range tips {
			log, _ := event.ToHash(tip.GetLog())
			here := held[tip.GetSeq()]
			if log == r.Log || event.LogKey(log) != key || len(here) == 0 ||
				slices.ContainsFunc(here, func(h *event.Record) bool { return string(h.Hash[:]) == string(tip.GetHash()) }) {
				continue
			}
			named, _ := event.ToHash(tip.GetHash())
			for _, told := range append(slices.Clone(here), r) {
				out[Oddity{told.Hash, tip.GetSeq(), named}] = true
			}
		}
	}
	return out
}

// Rights folds the rights among the records.
func Rights(records []*event.Record) *ledger.Rights {
	var in []ledger.Input
	for _, r := range records {
		if slices.Contains(r.Touches(), event.RightsKey) {
			in = append(in, ledger.Input{Rec: r, Payload: payload(r)})
		}
	}
	return ledger.FoldRights(in)
}

// Fold folds one entity from the records.
func Fold(key event.Key, records []*event.Record) ledger.State {
	return ledger.Fold(key, Inputs(key, records))
}

// Keys lists the entities that the records touch, sorted.
func Keys(records []*event.Record) []event.Key {
	var keys []event.Key
	for _, r := range records {
		keys = append(keys, r.Touches()...)
	}
	slices.SortFunc(keys, event.Key.Compare)
	return slices.Compact(keys)
}

type place struct {
	log event.LogID
	seq uint64
}

// forkedAt counts the different records at each place of a log.
func forkedAt(records []*event.Record) map[place]int {
	seen := map[event.Hash]bool{}
	count := map[place]int{}
	for _, r := range records {
		if !seen[r.Hash] {
			seen[r.Hash] = true
			count[place{r.Log, r.Seq()}]++
		}
	}
	return count
}

func payload(r *event.Record) proto.Message {
	m, err := r.Payload()
	if err != nil {
		return nil
	}
	return m
}

// typeOf is the first event type with this message.
func typeOf(body proto.Message) event.Type {
	for _, spec := range event.All() {
		if spec.Message() == body.ProtoReflect().Descriptor() {
			return spec.Type
		}
	}
	return 0
}
