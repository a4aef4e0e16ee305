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
// doubt. The caller adds to the set the log's forked records (Input.Forked), and
// wherever the word of another log (a tip that its record had seen, or that the
// server's statement names) fits no record at its place, that other record and
// those at the place. Of all that, few are kept: see prune.
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
	Doubts       []Doubt   // written order; where there are many, the first few and the last few
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
	log, _ := event.ParseHash(s.key.ID) // another name is no log's, and nothing is of it
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.LogOpened); ok && f.rec.Log == log {
			l.opened(f, p)
		}
	}
	for i := range s.inputs {
		l.stated(s, log, &s.inputs[i])
		l.doubt(s, log, s.inputs[i].Rec)
	}
	l.fork(s, log)
	l.words(s, log)
	l.losses(s, log)
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
func (l *Log) stated(s *set, log event.LogID, in *Input) {
	said, ok := saidOf(log, in)
	if !ok {
		return
	}
	id, hubMs := in.Rec.Hash, said.by.WallUs/1000
	l.Accepted = &Accepted{
		Record: id, HubEpoch: bytes.Clone(said.by.HubEpoch), Number: said.by.Number, HubMs: hubMs, Tip: said.tip,
	}
	if said.ahead() {
		l.Doubts = append(l.Doubts, Doubt{Record: id, WallMs: said.newestUs / 1000, HubMs: hubMs})
		s.claim(claim{
			kind: TimeInDoubt, says: "after the server's receipt", atMs: in.Rec.OccurredMs(), records: []event.Hash{id},
		})
	}
}

// doubt notes a record of this log whose clock stands before a statement of the
// server that its device had seen.
func (l *Log) doubt(s *set, log event.LogID, rec *event.Record) {
	if rec.Log != log || !rec.TimeInDoubt() {
		return
	}
	l.Doubts = append(l.Doubts, Doubt{Record: rec.Hash, WallMs: rec.Head.WallUs / 1000, HubMs: rec.Head.HubUs / 1000})
	s.claim(claim{
		kind: TimeInDoubt, says: "before the server's statement", atMs: rec.OccurredMs(), records: []event.Hash{rec.Hash},
	})
}

// fork claims the records where the log has two of them first. What follows on
// either branch is the same fork.
func (l *Log) fork(s *set, log event.LogID) {
	if l.ForkSeq = forkOf(log, s.inputs); l.ForkSeq < 0 {
		return
	}
	c := claim{kind: LogForked}
	for _, in := range s.inputs {
		if in.Forked && in.Rec.Log == log && seqOf(in.Rec) == l.ForkSeq {
			c.records = append(c.records, in.Rec.Hash)
			c.atMs = max(c.atMs, in.Rec.OccurredMs())
		}
	}
	s.claim(c)
}

// words claims what others name of this log and what does not fit with it: one
// of two replicas was told another story, or the log's key is in use twice.
func (l *Log) words(s *set, log event.LogID) {
	for _, w := range wordsOf(log, s.inputs, l.ForkSeq) {
		by := s.inputs[w.index].Rec
		c := claim{kind: TwoStories, atMs: by.OccurredMs(), records: []event.Hash{by.Hash}}
		if w.stated {
			c.kind, c.says = StatementInDoubt, "names a record that was never part of the log"
		}
		for _, in := range s.inputs {
			if in.Rec.Log == log && in.Rec.Seq() == w.tip.Seq {
				c.records = append(c.records, in.Rec.Hash)
			}
		}
		s.claim(c)
	}
	if before, newest := wentBack(log, s.inputs); before != nil {
		s.claim(claim{
			kind: StatementInDoubt, says: "names less than an earlier one", atMs: newest.Rec.OccurredMs(),
			records: []event.Hash{before.Rec.Hash, newest.Rec.Hash},
		})
	}
}

// losses claims what its own device says is lost of the log, and what the server says
// of copies of the device.
func (l *Log) losses(s *set, log event.LogID) {
	for i := range s.inputs {
		in := &s.inputs[i]
		c := claim{atMs: in.Rec.OccurredMs(), records: []event.Hash{in.Rec.Hash}}
		switch p := in.Payload.(type) {
		case *pb.RecordsLost:
			c.kind = LostRecords
			if !bytes.Equal(p.Log, log[:]) || len(l.Device) > 0 && !bytes.Equal(l.Device, in.Rec.Head.Device) {
				continue
			}
		case *pb.CopiesMet:
			c.kind = DeviceTwice
			if !bytes.Equal(p.Log, log[:]) || !in.Entitled {
				continue
			}
		default:
			continue
		}
		s.claim(c)
	}
}
