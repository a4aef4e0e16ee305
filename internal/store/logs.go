package store

import (
	"bytes"
	"crypto/ed25519"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
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
	HLC      int64          // of the tip
	WallUs   int64          // of the tip, as its device's clock said
}

// Device is the id of the device that writes the log.
func (l *LogInfo) Device() []byte { return event.DeviceID(l.Key) }

// logState is a log in memory: LogInfo and what the index does not hold yet.
type logState struct {
	LogInfo
	tail []tailEntry // committed, not yet applied; in journal order
}

type tailEntry struct {
	seq  uint64
	hash event.Hash
	pos  journal.Position
}

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
}

type tipRow struct {
	Seq  uint64 `cbor:"1,keyasint"`
	Hash []byte `cbor:"2,keyasint"`
}

func (l *LogInfo) encode() ([]byte, error) {
	r := logRow{Key: l.Key, Name: l.Name, Lane: int32(l.Lane), Epoch: l.Epoch,
		Seq: l.Tip.Seq, Hash: l.Tip.Hash[:], HLC: l.HLC, WallUs: l.WallUs, Fork: l.Fork}
	for _, b := range l.Branches {
		r.Branches = append(r.Branches, tipRow{b.Seq, b.Hash[:]})
	}
	return cbor.Marshal(r)
}

func decodeLog(id event.LogID, value []byte) (LogInfo, error) {
	var r logRow
	if err := cbor.Unmarshal(value, &r); err != nil {
		return LogInfo{}, err
	}
	l := LogInfo{ID: id, Key: r.Key, Name: r.Name, Lane: pb.Lane(r.Lane), Epoch: r.Epoch, HLC: r.HLC, WallUs: r.WallUs, Fork: r.Fork}
	l.Tip = tipOf(tipRow{r.Seq, r.Hash})
	for _, b := range r.Branches {
		l.Branches = append(l.Branches, tipOf(b))
	}
	return l, nil
}

func tipOf(r tipRow) exchange.Tip {
	h, _ := event.ToHash(r.Hash)
	return exchange.Tip{Seq: r.Seq, Hash: h}
}

// openedLog is the state of a log that has just begun.
func openedLog(r *event.Record) (*LogInfo, bool) {
	p, err := r.Payload()
	if err != nil {
		return nil, false
	}
	o, ok := p.(*pb.LogOpened)
	if !ok || len(o.PublicKey) != ed25519.PublicKeySize {
		return nil, false
	}
	return &LogInfo{ID: r.Log, Key: o.PublicKey, Name: o.DeviceName, Lane: o.Lane, Epoch: o.Epoch}, true
}

// advance moves the log past a record that was saved: the tip when the record
// follows it, a branch when it follows one or begins one.
func (l *LogInfo) advance(r *event.Record) {
	tip := exchange.Tip{Seq: r.Head.Seq, Hash: r.Hash}
	if r.Head.Seq == 0 || bytes.Equal(r.Head.Prev, l.Tip.Hash[:]) {
		l.Tip, l.HLC, l.WallUs = tip, r.Head.HlcUs, r.Head.WallUs
		return
	}
	for i, b := range l.Branches {
		if bytes.Equal(r.Head.Prev, b.Hash[:]) {
			l.Branches[i] = tip
			return
		}
	}
	if r.Head.Seq > l.Tip.Seq { // a run was lost to damage below this record
		l.Tip, l.HLC, l.WallUs = tip, r.Head.HlcUs, r.Head.WallUs
		return
	}
	if l.Fork == 0 || r.Head.Seq < l.Fork {
		l.Fork = r.Head.Seq
	}
	if len(l.Branches) < exchange.MaxBranches-1 && !slices.Contains(l.Branches, tip) {
		l.Branches = append(l.Branches, tip)
	}
}

// clone copies what may be changed.
func (l *LogInfo) clone() *LogInfo {
	c := *l
	c.Branches = slices.Clone(l.Branches)
	return &c
}
