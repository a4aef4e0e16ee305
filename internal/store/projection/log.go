package projection

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// LogInfo is what a replica knows of a log without looking at its records.
type LogInfo struct {
	ID       event.LogID
	Key      ed25519.PublicKey
	Name     string
	Lane     pb.Lane
	Epoch    uint32
	Tip      exchange.Tip
	Branches []exchange.Tip // other ends of a forked log, bounded
	Fork     uint64         // lowest seq that has more than one record; 0 for none
	HLC      int64          // newest in the log
	WallUs   int64          // of the tip, as its device's clock said
	HubUs    int64          // time of the newest hub statement in the log; 0 for none
	Bytes    int64          // of the records that moved it on; counted for foreign logs
	Gaps     bool           // records below the tip were not here when it came
	Bare     bool           // an end came without a signature: what vouched for it may be gone
	Before   []event.LogID  // its device's logs from which it goes on, as its opening names them; bounded
}

// Device is the id of the device that writes the log.
func (l *LogInfo) Device() []byte { return event.DeviceID(l.Key) }

// logRow is the stored form of LogInfo.
type logRow struct {
	Key      []byte   `cbor:"1,keyasint"`
	Name     string   `cbor:"2,keyasint"`
	Lane     int32    `cbor:"3,keyasint"`
	Epoch    uint32   `cbor:"4,keyasint"`
	Seq      uint64   `cbor:"5,keyasint"`
	Hash     []byte   `cbor:"6,keyasint"`
	HLC      int64    `cbor:"7,keyasint"`
	WallUs   int64    `cbor:"8,keyasint"`
	Branches []tipRow `cbor:"9,keyasint"`
	Fork     uint64   `cbor:"10,keyasint"`
	HubUs    int64    `cbor:"11,keyasint"`
	Gaps     bool     `cbor:"12,keyasint"`
	Bytes    int64    `cbor:"13,keyasint,omitempty"`
	Bare     bool     `cbor:"14,keyasint,omitempty"`
	Before   [][]byte `cbor:"15,keyasint,omitempty"`
}

type tipRow struct {
	Seq  uint64 `cbor:"1,keyasint"`
	Hash []byte `cbor:"2,keyasint"`
}

func (l *LogInfo) encode() ([]byte, error) {
	r := logRow{Key: l.Key, Name: l.Name, Lane: int32(l.Lane), Epoch: l.Epoch,
		Seq: l.Tip.Seq, Hash: l.Tip.Hash[:], HLC: l.HLC, WallUs: l.WallUs, Fork: l.Fork, HubUs: l.HubUs, Gaps: l.Gaps, Bytes: l.Bytes, Bare: l.Bare}
	for _, b := range l.Branches {
		r.Branches = append(r.Branches, tipRow{b.Seq, b.Hash[:]})
	}
	for _, id := range l.Before {
		r.Before = append(r.Before, id[:])
	}
	return cbor.Marshal(r)
}

func decodeLog(id event.LogID, value []byte) (LogInfo, error) {
	var r logRow
	if err := cbor.Unmarshal(value, &r); err != nil {
		return LogInfo{}, err
	}
	l := LogInfo{ID: id, Key: r.Key, Name: r.Name, Lane: pb.Lane(r.Lane), Epoch: r.Epoch, HLC: r.HLC, WallUs: r.WallUs, Fork: r.Fork, HubUs: r.HubUs, Gaps: r.Gaps, Bytes: r.Bytes, Bare: r.Bare}
	l.Tip = tipOf(tipRow{r.Seq, r.Hash})
	for _, b := range r.Branches {
		l.Branches = append(l.Branches, tipOf(b))
	}
	for _, id := range r.Before {
		l.before(id)
	}
	return l, nil
}

func tipOf(r tipRow) exchange.Tip {
	h, _ := event.ToHash(r.Hash)
	return exchange.Tip{Seq: r.Seq, Hash: h}
}

// OpenedLog is the state of a log that has just begun, before its first record.
func OpenedLog(r *event.Record) (*LogInfo, bool) {
	l := &LogInfo{ID: r.Log}
	return l, r.Head.Seq == 0 && l.opened(r)
}

// Lookup lists the records of a log that are held at one seq.
type Lookup func(seq uint64) ([]exchange.Point, error)

// Advance moves the log over a record that is held now: the tip when the record
// follows it, a branch when it follows one or begins one. Records also come late
// (a refill after damage) and again (the journal applied a second time), so
// below the newest tip the neighbours that are held decide.
func (l *LogInfo) Advance(r *event.Record, at Lookup) error {
	if r.Head.Type == event.TypeHubStatement {
		if m, err := r.Payload(); err == nil {
			l.HubUs = max(l.HubUs, m.(*pb.HubStatement).WallUs)
		}
	}
	l.HLC = max(l.HLC, r.Head.HlcUs)
	tip := exchange.Tip{Seq: r.Head.Seq, Hash: r.Hash}
	switch {
	case r.Head.Seq == 0:
		l.opened(r)
		if l.Tip.Hash.IsZero() {
			l.move(tip, r)
		}
		return nil
	case slices.Contains(l.Tips(), tip):
		l.outgrow(r) // it could not be read meanwhile
		return nil
	case bytes.Equal(r.Head.Prev, l.Tip.Hash[:]):
		return l.next(r, tip, at)
	case l.Tip.Hash.IsZero() || r.Head.Seq > l.Newest() && !l.onBranch(r):
		// What lies between was lost to damage. On a forked log nobody knows
		// which branch leads here: keep the old tip too.
		l.Gaps = true
		if l.Fork != 0 {
			l.branch(l.Tip)
		}
		l.move(tip, r)
		return nil
	}
	return l.late(r, tip, at)
}

// next takes a record that follows the tip. It is the new tip, unless it comes again
// after it could not be read and what follows it is held.
func (l *LogInfo) next(r *event.Record, tip exchange.Tip, at Lookup) error {
	if l.Newest() > tip.Seq {
		above, err := at(tip.Seq + 1)
		if err != nil {
			return err
		}
		if followedBy(r.Hash, above) {
			l.outgrow(r)
			return nil
		}
	}
	l.move(tip, r)
	return nil
}

// onBranch says that the record follows the end of a branch.
func (l *LogInfo) onBranch(r *event.Record) bool {
	return slices.ContainsFunc(l.Branches, func(b exchange.Tip) bool { return bytes.Equal(r.Head.Prev, b.Hash[:]) })
}

// late takes a record that does not follow the tip. It is a fork when another
// record stands at its place, and an end of its own when nothing held follows it
// although something stands there. An end of the log counts there even while it
// cannot be read: when it comes again, nobody asks what stands beside it.
func (l *LogInfo) late(r *event.Record, tip exchange.Tip, at Lookup) error {
	below, err := at(tip.Seq - 1)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(below, func(p exchange.Point) bool { return bytes.Equal(p.Hash[:], r.Head.Prev) }) {
		l.Gaps = true // what it follows was lost beside what stands there
	}
	beside, err := at(tip.Seq)
	if err != nil {
		return err
	}
	above, err := at(tip.Seq + 1)
	if err != nil {
		return err
	}
	forked := slices.ContainsFunc(beside, func(p exchange.Point) bool { return p.Hash != r.Hash }) ||
		slices.ContainsFunc(l.Tips(), func(t exchange.Tip) bool { return t.Seq == tip.Seq })
	if forked && (l.Fork == 0 || tip.Seq < l.Fork) {
		l.Fork = tip.Seq
	}
	for _, p := range beside { // an end that a gap passed over, or whose next record cannot be read
		if p.Hash != r.Hash && !followedBy(p.Hash, above) && p.Hash != l.Tip.Hash {
			l.branch(exchange.Tip{Seq: tip.Seq, Hash: p.Hash})
		}
	}
	grown := l.onBranch(r)
	l.outgrow(r)
	if !followedBy(r.Hash, above) && (grown || forked || len(above) > 0) {
		l.Bytes += int64(r.Size())
		l.Bare = l.Bare || !r.Signed()
		l.branch(tip)
	}
	return nil
}

// outgrow takes the record before r from the ends, of which one at least is left. When that
// was the tip, WallUs stays what it was until the next record comes.
func (l *LogInfo) outgrow(r *event.Record) {
	if bytes.Equal(r.Head.Prev, l.Tip.Hash[:]) && len(l.Branches) > 0 {
		l.Tip, l.Branches = l.Branches[0], l.Branches[1:]
	}
	l.Branches = slices.DeleteFunc(l.Branches, func(b exchange.Tip) bool { return bytes.Equal(r.Head.Prev, b.Hash[:]) })
}

// followedBy says that one of the records at the next place follows a record.
func followedBy(hash event.Hash, above []exchange.Point) bool {
	return slices.ContainsFunc(above, func(p exchange.Point) bool { return p.Prev == hash })
}

func (l *LogInfo) move(tip exchange.Tip, r *event.Record) {
	l.Tip, l.WallUs = tip, r.Head.WallUs
	l.Bare = !r.Signed() || l.Bare && len(l.Branches) > 0
	l.Bytes += int64(r.Size())
	l.Branches = slices.DeleteFunc(l.Branches, func(b exchange.Tip) bool { return b == tip })
}

// branch adds an end of its own.
func (l *LogInfo) branch(tip exchange.Tip) {
	if len(l.Branches) < exchange.MaxBranches-1 && !slices.Contains(l.Branches, tip) {
		l.Branches = append(l.Branches, tip)
	}
}

// Tips are all ends of the log, none when nothing is held.
func (l *LogInfo) Tips() []exchange.Tip {
	if l.Tip.Hash.IsZero() {
		return nil
	}
	return append([]exchange.Tip{l.Tip}, l.Branches...)
}

// Newest is the greatest seq among the tips.
func (l *LogInfo) Newest() uint64 { return l.Head().Seq }

// Head is the newest end, the same on all replicas that hold the same: which branch is
// the tip depends on which came first.
func (l *LogInfo) Head() exchange.Tip {
	head := l.Tip
	for _, b := range l.Branches {
		if cmp.Or(cmp.Compare(b.Seq, head.Seq), b.Hash.Compare(head.Hash)) > 0 {
			head = b
		}
	}
	return head
}

// opened reads what the opening record says of its log.
func (l *LogInfo) opened(r *event.Record) bool {
	p, err := r.Payload()
	if err != nil {
		return false
	}
	o, ok := p.(*pb.LogOpened)
	if !ok || len(o.PublicKey) != ed25519.PublicKeySize {
		return false
	}
	l.Key, l.Name, l.Lane, l.Epoch, l.Before = o.PublicKey, o.DeviceName, o.Lane, o.Epoch, nil
	for _, t := range o.Predecessors {
		l.before(t.GetLog())
	}
	return true
}

// MaxBefore bounds the logs that an opening names and a LogInfo keeps.
const MaxBefore = 16

func (l *LogInfo) before(id []byte) {
	if log, ok := event.ToHash(id); ok && len(l.Before) < MaxBefore {
		l.Before = append(l.Before, log)
	}
}

// Clone copies what may be changed.
func (l *LogInfo) Clone() *LogInfo {
	c := *l
	c.Branches = slices.Clone(l.Branches)
	return &c
}
