package exchange

import (
	"cmp"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// DeviceID names a device: the start of the hash of its public key.
type DeviceID [16]byte

// String is the id in hex.
func (d DeviceID) String() string { return hex.EncodeToString(d[:]) }

// Short is the first four hex digits, for people.
func (d DeviceID) Short() string { return hex.EncodeToString(d[:2]) }

// Tip is a place in a log: a sequence number and the hash that stands there.
type Tip struct {
	Seq  uint64
	Hash event.Hash
}

// newestFirst orders tips: greatest seq first, then greatest hash.
func newestFirst(a, b Tip) int {
	return cmp.Or(cmp.Compare(b.Seq, a.Seq), b.Hash.Compare(a.Hash))
}

// LogTip is a tip and the log it is of.
type LogTip struct {
	Log event.LogID
	Tip
}

// SeqRange is a run of sequence numbers, both ends included.
type SeqRange struct{ From, To uint64 }

func (r SeqRange) has(seq uint64) bool { return r.From <= seq && seq <= r.To }

func anyHas(ranges []SeqRange, seq uint64) bool {
	return slices.ContainsFunc(ranges, func(r SeqRange) bool { return r.has(seq) })
}

// HeldLog says what one side holds of one log.
type HeldLog struct {
	Log    event.LogID
	Lane   pb.Lane
	Device DeviceID // who writes it
	// Tips of its branches, newest first; one unless the log is forked.
	Tips []Tip
	// Missing lists what is to be sent again, ascending: what was lost to damage
	// below the tip; and what is held up to the tip and could not be handed on,
	// because the signature that vouched for it was lost.
	Missing []SeqRange
	// Fork is the lowest seq that has more than one record; 0 for none. It is
	// known on this side only and does not travel.
	Fork uint64
}

// Tip is the newest tip; the zero Tip when nothing is held.
func (h HeldLog) Tip() Tip {
	if len(h.Tips) == 0 {
		return Tip{}
	}
	return h.Tips[0]
}

func (h HeldLog) urgent() bool { return h.Lane == pb.Lane_LANE_URGENT }

// Beliefs is what one side states in its hello.
type Beliefs struct {
	Protocol uint32 // version of this exchange
	Fold     uint32 // version of the ledger's fold; state digests compare only within one
	Program  string
	Practice string // empty until the device belongs to one
	Device   DeviceID
	Key      ed25519.PublicKey
	Name     string
	Held     []HeldLog     // ordered by log
	Own      []event.LogID // logs that this device writes or has written
	WallUs   int64         // its wall clock, microseconds since 1970
	// HubEpoch of a hub is its own; of a laptop the one it knew. Hex or any
	// other text without meaning; empty when none is known.
	HubEpoch  string
	Statement uint64 // number of the newest hub statement held
	Hub       bool
	Boot      string // drawn when its store was opened; empty from an older program
}

// Find is the entry of one log in a list ordered by log.
func Find(held []HeldLog, log event.LogID) (HeldLog, bool) {
	i, ok := slices.BinarySearchFunc(held, log, func(h HeldLog, id event.LogID) int { return h.Log.Compare(id) })
	if !ok {
		return HeldLog{Log: log}, false
	}
	return held[i], true
}

// Has says whether this store holds the record with that hash at that place.
type Has func(log event.LogID, at Tip) bool

// holds says whether h, or the store behind has, holds the record at a place.
// Where nothing can be known (inside a missing run, or below the tip without a
// store to ask) the place is taken to be the same as theirs.
func holds(h HeldLog, has Has, at Tip) bool {
	switch {
	case slices.Contains(h.Tips, at) || anyHas(h.Missing, at.Seq):
		return true
	case at.Seq > h.Tip().Seq || len(h.Tips) == 0:
		return false
	case has == nil:
		return at.Seq < h.Tip().Seq
	}
	return has(h.Log, at)
}

// PB is the message form.
func (b Beliefs) PB() *pb.Beliefs {
	out := &pb.Beliefs{
		ProtocolVersion: b.Protocol, FoldVersion: b.Fold, ProgramVersion: b.Program,
		Practice: b.Practice, Device: b.Device[:], PublicKey: b.Key, DeviceName: b.Name,
		Held: HeldPB(b.Held), WallUs: b.WallUs, Statement: b.Statement, Hub: b.Hub,
	}
	if b.Boot != "" {
		out.Boot = []byte(b.Boot)
	}
	if b.HubEpoch != "" {
		out.HubEpoch = []byte(b.HubEpoch)
	}
	for _, log := range b.Own {
		out.OwnLogs = append(out.OwnLogs, log[:])
	}
	return out
}

// HeldPB is the message form of what is held: one entry for each tip.
func HeldPB(held []HeldLog) []*pb.HeldLog {
	out := make([]*pb.HeldLog, 0, len(held))
	for _, h := range held {
		for i, tip := range h.Tips {
			m := &pb.HeldLog{Tip: LogTip{h.Log, tip}.PB(), Lane: h.Lane, Device: h.Device[:]}
			if i == 0 {
				m.Missing, m.Unvouched = missingPB(h.Missing, tip.Seq), anyHas(h.Missing, tip.Seq)
			}
			out = append(out, m)
		}
	}
	return out
}

// missingPB is the message form of what is missing below the tip.
func missingPB(missing []SeqRange, tip uint64) []*pb.SeqRange {
	var out []*pb.SeqRange
	for _, r := range missing[:min(len(missing), MaxMissing)] {
		if r.From < tip {
			out = append(out, &pb.SeqRange{From: r.From, To: min(r.To, tip-1)})
		}
	}
	return out
}

// PB is the message form.
func (t LogTip) PB() *pb.Tip {
	return &pb.Tip{Log: t.Log[:], Seq: t.Seq, Hash: t.Hash[:]}
}

// TipFromPB reads a tip.
func TipFromPB(m *pb.Tip) (LogTip, error) {
	log, ok := event.ToHash(m.GetLog())
	hash, ok2 := event.ToHash(m.GetHash())
	if !ok || !ok2 {
		return LogTip{}, fmt.Errorf("%w: a tip without log or hash", event.ErrMalformed)
	}
	return LogTip{log, Tip{m.GetSeq(), hash}}, nil
}

// BeliefsFromPB reads and bounds what the other side states. Errors wrap
// event.ErrMalformed or event.ErrTooLarge.
func BeliefsFromPB(m *pb.Beliefs) (Beliefs, error) {
	b := Beliefs{
		Protocol: m.GetProtocolVersion(), Fold: m.GetFoldVersion(), Program: m.GetProgramVersion(),
		Practice: m.GetPractice(), Key: m.GetPublicKey(), Name: m.GetDeviceName(),
		WallUs: m.GetWallUs(), HubEpoch: string(m.GetHubEpoch()), Statement: m.GetStatement(), Hub: m.GetHub(),
		Boot: string(m.GetBoot()),
	}
	if b.Protocol == 0 || len(b.Key) != ed25519.PublicKeySize || copy(b.Device[:], m.GetDevice()) != len(m.GetDevice()) ||
		len(m.GetDevice()) != len(b.Device) || string(event.DeviceID(b.Key)) != string(b.Device[:]) {
		return Beliefs{}, fmt.Errorf("%w: beliefs without protocol, or a device id that is not its key's", event.ErrMalformed)
	}
	if len(b.Program) > maxName || len(b.Practice) > maxName || len(b.Name) > maxName || len(b.HubEpoch) > maxName || len(b.Boot) > maxName || len(m.GetOwnLogs()) > MaxLogs {
		return Beliefs{}, fmt.Errorf("%w: a name or list in the beliefs", event.ErrTooLarge)
	}
	for _, raw := range m.GetOwnLogs() {
		log, ok := event.ToHash(raw)
		if !ok {
			return Beliefs{}, fmt.Errorf("%w: own log of %d bytes", event.ErrMalformed, len(raw))
		}
		b.Own = append(b.Own, log)
	}
	var err error
	b.Held, err = HeldFromPB(m.GetHeld())
	return b, err
}

// HeldFromPB reads and bounds what the other side holds: one HeldLog for each
// log, ordered by log. Errors wrap event.ErrMalformed or event.ErrTooLarge.
func HeldFromPB(list []*pb.HeldLog) ([]HeldLog, error) {
	if len(list) > MaxLogs {
		return nil, fmt.Errorf("%w: %d logs", event.ErrTooLarge, len(list))
	}
	out := make([]HeldLog, 0, len(list))
	for _, m := range list {
		h, err := heldFromPB(m)
		if err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	slices.SortStableFunc(out, func(a, b HeldLog) int { return a.Log.Compare(b.Log) })
	return joinTips(out)
}

func heldFromPB(m *pb.HeldLog) (HeldLog, error) {
	tip, err := TipFromPB(m.GetTip())
	if err != nil {
		return HeldLog{}, err
	}
	h := HeldLog{Log: tip.Log, Lane: m.GetLane(), Tips: []Tip{tip.Tip}}
	if len(m.GetDevice()) != len(h.Device) || len(m.GetMissing()) > MaxMissing {
		return HeldLog{}, fmt.Errorf("%w: log %s without device, or with %d missing runs", event.ErrMalformed, h.Log.Short(), len(m.GetMissing()))
	}
	copy(h.Device[:], m.GetDevice())
	next := uint64(0)
	for _, r := range m.GetMissing() {
		if r.GetFrom() < next || r.GetTo() < r.GetFrom() || r.GetTo() >= tip.Seq {
			return HeldLog{}, fmt.Errorf("%w: log %s misses %d to %d", event.ErrMalformed, h.Log.Short(), r.GetFrom(), r.GetTo())
		}
		h.Missing = append(h.Missing, SeqRange{r.GetFrom(), r.GetTo()})
		next = r.GetTo() + 1
	}
	if m.GetUnvouched() {
		if n := len(h.Missing); n > 0 && h.Missing[n-1].To+1 == tip.Seq {
			h.Missing[n-1].To = tip.Seq
		} else {
			h.Missing = append(h.Missing, SeqRange{tip.Seq, tip.Seq})
		}
	}
	return h, nil
}

// joinTips makes one entry of several tips of one log; the list is sorted.
func joinTips(list []HeldLog) ([]HeldLog, error) {
	out := list[:0]
	for _, h := range list {
		if n := len(out); n > 0 && out[n-1].Log == h.Log {
			last := &out[n-1]
			last.Tips = append(last.Tips, h.Tips...)
			if len(last.Missing) == 0 {
				last.Missing = h.Missing
			}
			continue
		}
		out = append(out, h)
	}
	for i := range out {
		slices.SortFunc(out[i].Tips, newestFirst)
		out[i].Tips = slices.Compact(out[i].Tips)
		if len(out[i].Tips) > MaxBranches {
			return nil, fmt.Errorf("%w: log %s has %d tips", event.ErrTooLarge, out[i].Log.Short(), len(out[i].Tips))
		}
	}
	return out, nil
}
