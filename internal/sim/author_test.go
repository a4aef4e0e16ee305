package sim

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

func segmentName(n uint32) string { return fmt.Sprintf("%010d.journal", n) }

func tipPB(log event.LogID, t exchange.Tip) *pb.Tip { return exchange.LogTip{Log: log, Tip: t}.PB() }

// cutRecord takes bytes off the end of the last record in a message.
func cutRecord(m *message, r *rand.Rand) []byte {
	cut := func(runs []*pb.Run) {
		for _, run := range runs {
			if n := len(run.Records); n > 0 && len(run.Records[n-1]) > 0 {
				last := run.Records[n-1]
				run.Records[n-1] = last[:r.IntN(len(last))]
			}
		}
	}
	var out proto.Message
	if m.kind == "push" {
		p := &pb.PushRequest{}
		if proto.Unmarshal(m.bytes, p) == nil {
			cut(p.Runs)
		}
		out = p
	} else {
		p := &pb.PullResponse{}
		if proto.Unmarshal(m.bytes, p) == nil {
			cut(p.Runs)
		}
		out = p
	}
	b, err := proto.Marshal(out)
	if err != nil {
		panic(err)
	}
	return b
}

// wrote appends drafts; a sick or full disk may refuse.
func (w *world) wrote(n *node, drafts ...store.Draft) []*event.Record {
	recs, err := n.append(drafts...)
	w.mayRefuse(n, err)
	return recs
}

// mayRefuse says that a write may fail for want of a good disk, and for nothing else.
func (w *world) mayRefuse(n *node, err error) {
	if err != nil && !n.sick && !n.full && n.index.Refuse == nil {
		w.fail("%s cannot write: %v", n.name, err)
	}
	if err != nil {
		w.count("write refused")
	}
}

// author writes one to four plausible records.
func (w *world) author(n *node, r *rand.Rand) {
	if n.store == nil {
		return
	}
	drafts := make([]store.Draft, 1+r.IntN(4)/2)
	for i := range drafts {
		drafts[i] = w.draft(n, r)
	}
	w.wrote(n, drafts...)
}

func pick[T any](r *rand.Rand, list ...T) T { return list[r.IntN(len(list))] }

// names of what the records are about: few, so that laptops get in each other's
// way.
func bag(r *rand.Rand) string   { return fmt.Sprintf("BAG%02d", r.IntN(14)) }
func cse(r *rand.Rand) string   { return fmt.Sprintf("CASE%d", r.IntN(4)) }
func place(r *rand.Rand) string { return pick(r, "CLINIC", "NORTH", "SOUTH") }
func batch(r *rand.Rand) string { return pick(r, "H-2207", "H 2199") }

// kinds make the payload of one event type each.
var kinds = []struct {
	typ  event.Type
	make func(w *world, n *node, r *rand.Rand) proto.Message
}{
	{30, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		bags := []string{bag(r), bag(r)}
		slices.Sort(bags)
		bags = slices.Compact(bags)
		return &pb.BagsReceived{Bags: bags, Product: "P", Batch: batch(r), Expiry: "2028-03", VolumeMl: 950, Count: int32(len(bags)), Place: place(r)}
	}},
	{32, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.BagFound{Bag: bag(r), Product: "P", Batch: batch(r), Expiry: "2028-03", VolumeMl: 950, Place: place(r)}
	}},
	{33, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.BagsMoved{Bags: []string{bag(r)}, ToPlace: place(r), FromPlaces: []string{place(r)}}
	}},
	{34, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.PlaceCounted{Place: place(r), BagsSeen: []string{bag(r)}, BagsNotSeen: []string{bag(r)}}
	}},
	{37, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.TemperatureRead{Place: place(r), NowDc: int32(-250 + r.IntN(60))}
	}},
	{40, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.ThawStarted{Bag: bag(r), Case: cse(r), Place: place(r)}
	}},
	{42, func(_ *world, _ *node, r *rand.Rand) proto.Message { return &pb.BagThawed{Bag: bag(r)} }},
	{46, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.BagDiscarded{Bag: bag(r), Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}
	}},
	{50, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.BatchHeld{Product: "P", Batch: batch(r), Reason: "the maker called"}
	}},
	{51, func(_ *world, n *node, r *rand.Rand) proto.Message {
		return &pb.BatchReleased{Product: "P", Batch: batch(r), Hold: n.some(r, event.TypeBatchHeld).String(), Reason: "cleared"}
	}},
	{52, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.BatchRecalled{Product: "P", Batch: batch(r), Reason: "recall"}
	}},
	{56, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.KitUsed{Place: place(r), Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 1, Case: cse(r)}
	}},
	{60, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.CaseOpened{Case: cse(r), Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", DamKey: "name:QUIET HARBOUR"}
	}},
	{73, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.TransfusionStarted{Bag: bag(r), Case: cse(r), Product: "P", Batch: batch(r), Place: place(r)}
	}},
	{82, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.TransfusionEnded{Bag: bag(r), Case: cse(r), GivenMl: int32(r.IntN(1000))}
	}},
	{88, func(_ *world, _ *node, r *rand.Rand) proto.Message {
		return &pb.CaseClosed{Case: cse(r), Outcome: pb.Outcome_OUTCOME_WELL}
	}},
}

// draft makes one record: mostly by a person with a right, now, sometimes late.
func (w *world) draft(n *node, r *rand.Rand) store.Draft {
	if r.IntN(10) == 0 {
		return w.correction(n, r)
	}
	if r.IntN(12) == 0 {
		if note := n.note(r); note != nil {
			return w.signed(n, r, store.Draft{Type: noteType, Payload: note})
		}
	}
	k := kinds[r.IntN(len(kinds))]
	return w.signed(n, r, store.Draft{Type: k.typ, Payload: k.make(w, n, r)})
}

// signed adds author, grant and time.
func (w *world) signed(n *node, r *rand.Rand, d store.Draft) store.Draft {
	d.Author = n.person()
	if g := n.grant(r); !g.IsZero() {
		d.Grant = g[:]
	}
	if r.IntN(4) == 0 {
		late := n.clock.Now().Add(-time.Duration(r.IntN(30000)) * time.Second)
		d.OccurredAt = &pb.Moment{UnixMs: max(0, late.UnixMilli()), Precision: pb.Precision_PRECISION_MINUTE, Source: pb.TimeSource_TIME_SOURCE_TYPED}
	}
	if r.IntN(6) == 0 {
		w.ids++
		d.RequestID = fmt.Sprintf("click%d", w.ids)
	}
	return d
}

// list are the records that a node holds of some types, in a fixed order.
func (n *node) list(types ...event.Type) []*event.Record {
	var out []*event.Record
	for _, r := range sorted(n.read()) {
		if len(types) == 0 || slices.Contains(types, r.Head.Type) {
			out = append(out, r)
		}
	}
	return out
}

// some is one record of a type held here, else nothing.
func (n *node) some(r *rand.Rand, t event.Type) event.Hash {
	if list := n.list(t); len(list) > 0 {
		return list[r.IntN(len(list))].Hash
	}
	return event.Hash{}
}

// grant is a grant that the person at this node may cite; now and then another's.
func (n *node) grant(r *rand.Rand) event.Hash {
	if n.hub && r.IntN(4) > 0 {
		return n.w.founded.Hash
	}
	for _, rec := range n.list(event.TypeRoleGranted) {
		if p, err := rec.Payload(); err == nil && (p.(*pb.RoleGranted).Person == n.person() || r.IntN(20) == 0) {
			return rec.Hash
		}
	}
	return event.Hash{}
}

// correction voids or replaces a record that is held here.
func (w *world) correction(n *node, r *rand.Rand) store.Draft {
	originals := slices.DeleteFunc(n.list(), func(rec *event.Record) bool { return rec.Head.Type < 30 })
	if len(originals) == 0 {
		return w.signed(n, r, store.Draft{Type: 42, Payload: &pb.BagThawed{Bag: bag(r)}})
	}
	o := originals[r.IntN(len(originals))]
	c := &pb.Corrected{Original: o.Hash.String(), Void: r.IntN(2) == 0, Type: o.Head.Type, Reason: "typed wrong"}
	keys := o.Touches()
	if !c.Void {
		k := kinds[r.IntN(len(kinds))]
		p := k.make(w, n, r)
		c.Type = k.typ
		c.Payload, _ = proto.MarshalOptions{Deterministic: true}.Marshal(p)
		keys = append(keys, event.KeysOf(k.typ, p, n.clock.Now())...)
	}
	for _, other := range n.list(event.TypeCorrected) {
		if p, err := other.Payload(); err == nil && p.(*pb.Corrected).Original == c.Original {
			c.Known = append(c.Known, other.Hash[:])
		}
	}
	return w.signed(n, r, store.Draft{Type: event.TypeCorrected, Payload: c, Keys: keys})
}

// rights grants, revokes or admits: on the hub by the owner, elsewhere by
// somebody without the right.
func (w *world) rights(n *node, r *rand.Rand) {
	if r.IntN(3) > 0 {
		n = w.hub
	}
	if n.store == nil {
		return
	}
	d := store.Draft{Author: "owner", Grant: w.founded.Hash[:]}
	o := w.nodes[r.IntN(len(w.nodes))]
	switch r.IntN(4) {
	case 0:
		p := &pb.RightsRevoked{Reason: "lost", Cuts: n.tips(r)}
		if p.Device = o.device(); o.hub || r.IntN(2) == 0 {
			p.Device, p.Grant = nil, n.some(r, event.TypeRoleGranted).String()
		}
		d.Type, d.Payload = event.TypeRightsRevoked, p
	case 1:
		logs := n.store.Logs()
		p := &pb.LogAdmitted{Log: logs[r.IntN(len(logs))].ID[:], Reason: "found again"}
		d.Type, d.Payload = event.TypeLogAdmitted, p
	case 2:
		d.Type = event.TypeDeviceAdded
		d.Payload = &pb.DeviceAdded{Device: o.device(), PublicKey: o.public(), Name: o.name}
	default:
		d.Type = event.TypeRoleGranted
		d.Payload = &pb.RoleGranted{Person: o.person(), Roles: []pb.Role{pick(r, pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC, pb.Role_ROLE_ASSISTANT)}}
	}
	if !n.hub {
		d.Author = n.person()
	}
	w.count("rights changed")
	w.wrote(n, d)
}

func (n *node) public() []byte { return n.key[32:] }

func (n *node) device() []byte { return event.DeviceID(n.public()) }

// tips are cuts: the tips held here, some of them a little lower.
func (n *node) tips(r *rand.Rand) []*pb.Tip {
	var out []*pb.Tip
	for _, rec := range n.list() {
		if i := slices.IndexFunc(out, func(t *pb.Tip) bool { return hex.EncodeToString(t.Log) == rec.Log.String() }); i < 0 {
			out = append(out, tipPB(rec.Log, exchange.Tip{Seq: rec.Seq(), Hash: rec.Hash}))
		} else if r.IntN(8) > 0 {
			out[i] = tipPB(rec.Log, exchange.Tip{Seq: rec.Seq(), Hash: rec.Hash})
		}
	}
	return out
}

// segmentPath is where a segment lies.
func segmentPath(n uint32) string { return filepath.Join(dir, "journal", segmentName(n)) }
