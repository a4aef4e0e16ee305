package ledger

import (
	"bytes"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Log is one log of one device: its opening, and what is doubtful about it.
//
// Records touch their log's entity only when they open it or their time is in
// doubt. The caller adds the log's forked records (Input.Forked) to the set.
type Log struct {
	_ struct{} `cbor:",toarray"`
	Common
	Device       []byte // id; empty while the opening is not here
	DeviceName   string
	Lane         pb.Lane
	Epoch        uint32
	OpenedMs     int64
	Reason       string
	Predecessors []LogTip
	Doubts       []Doubt   // written order
	ForkSeq      int64     // first seq with two records; -1 when there is none
	Accepted     *Accepted // by the newest statement of the server
}

// LogTip is a record of a log.
type LogTip struct {
	_    struct{} `cbor:",toarray"`
	Log  event.LogID
	Seq  uint64
	Hash event.Hash
}

// Doubt is a record whose wall clock disagrees with the server's.
type Doubt struct {
	_      struct{}   `cbor:",toarray"`
	Record event.Hash // the record, or the server's statement
	WallMs int64      // by the device
	HubMs  int64      // by the server
}

// Accepted is what the server last said to hold of the log.
type Accepted struct {
	_        struct{} `cbor:",toarray"`
	Record   event.Hash
	HubEpoch []byte
	Number   uint64
	HubMs    int64
	Tip      LogTip
}

func foldLog(s *set) State {
	l := &Log{ForkSeq: -1}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.LogOpened:
			l.opened(f, p)
		case *pb.HubStatement:
			l.stated(s, f, p)
		}
	}
	for _, in := range s.inputs {
		l.doubt(s, in.Rec)
	}
	l.fork(s)
	// The server speaks of a log as often as it moves: no story of that.
	s.timeline = slices.DeleteFunc(s.timeline, func(e Entry) bool { return e.Type == event.TypeHubStatement })
	l.Common = s.common()
	return l
}

func (l *Log) opened(f *fact, p *pb.LogOpened) {
	l.Device, l.DeviceName, l.Lane, l.Epoch = event.DeviceID(p.PublicKey), p.DeviceName, p.Lane, p.Epoch
	l.OpenedMs, l.Reason = f.atMs, p.Reason
	for _, t := range p.Predecessors {
		l.Predecessors = append(l.Predecessors, tipOf(t))
	}
}

func tipOf(t *pb.Tip) LogTip {
	log, _ := event.ToHash(t.GetLog())
	hash, _ := event.ToHash(t.GetHash())
	return LogTip{Log: log, Seq: t.GetSeq(), Hash: hash}
}

// stated takes what the server said of this log: what it held, and whether a
// record came from a clock ahead of its own.
func (l *Log) stated(s *set, f *fact, p *pb.HubStatement) {
	for _, a := range p.Accepted {
		tip := tipOf(a.GetTip())
		if event.LogKey(tip.Log) != s.key {
			continue
		}
		l.Accepted = &Accepted{
			Record: f.id, HubEpoch: bytes.Clone(p.HubEpoch), Number: p.Number, HubMs: p.WallUs / 1000, Tip: tip,
		}
		if a.GetNewestWallUs() > p.WallUs+event.DoubtAfter.Microseconds() {
			l.Doubts = append(l.Doubts, Doubt{Record: f.id, WallMs: a.GetNewestWallUs() / 1000, HubMs: p.WallUs / 1000})
			s.differ(TimeInDoubt, "after the server's receipt", f.atMs, f)
		}
	}
}

// doubt notes a record of this log whose clock stands before a statement of the
// server that its device had seen.
func (l *Log) doubt(s *set, rec *event.Record) {
	if event.LogKey(rec.Log) != s.key || !rec.TimeInDoubt() {
		return
	}
	l.Doubts = append(l.Doubts, Doubt{Record: rec.Hash, WallMs: rec.Head.WallUs / 1000, HubMs: rec.Head.HubUs / 1000})
	s.claim(claim{
		kind: TimeInDoubt, says: "before the server's statement", atMs: rec.OccurredMs(), records: []event.Hash{rec.Hash},
	})
}

// fork finds the first seq at which the log has two records. What follows on
// either branch is the same fork.
func (l *Log) fork(s *set) {
	c := claim{kind: LogForked}
	for _, in := range s.inputs {
		seq := int64(min(in.Rec.Seq(), all))
		if !in.Forked || event.LogKey(in.Rec.Log) != s.key || l.ForkSeq >= 0 && seq > l.ForkSeq {
			continue
		}
		if seq != l.ForkSeq {
			l.ForkSeq, c.records = seq, nil
		}
		c.records = append(c.records, in.Rec.Hash)
		c.atMs = max(c.atMs, in.Rec.OccurredMs())
	}
	if l.ForkSeq >= 0 {
		s.claim(c)
	}
}
