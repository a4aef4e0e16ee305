package exchange

import (
	"fmt"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Accepted is one log's newest record on the hub, in a statement.
type Accepted struct {
	LogTip
	// NewestWallUs is the greatest wall clock among the records newly accepted.
	NewestWallUs int64
}

// Statement is what the hub says it had accepted, and when. It lists the logs
// that moved since the statement before, ordered by log.
type Statement struct {
	Epoch    string
	Number   uint64 // 1, 2, 3 … in one epoch
	WallUs   int64
	Accepted []Accepted
}

// PB is the payload of the statement's record.
func (s Statement) PB() *pb.HubStatement {
	out := &pb.HubStatement{HubEpoch: []byte(s.Epoch), Number: s.Number, WallUs: s.WallUs}
	for _, a := range s.Accepted {
		out.Accepted = append(out.Accepted, &pb.AcceptedTip{Tip: a.LogTip.PB(), NewestWallUs: a.NewestWallUs})
	}
	return out
}

// StatementFromPB reads the payload of a statement's record.
func StatementFromPB(m *pb.HubStatement) (Statement, error) {
	s := Statement{Epoch: string(m.GetHubEpoch()), Number: m.GetNumber(), WallUs: m.GetWallUs()}
	if s.Epoch == "" || len(s.Epoch) > maxName || s.Number == 0 || len(m.GetAccepted()) > MaxLogs {
		return Statement{}, fmt.Errorf("%w: hub statement %d", event.ErrMalformed, s.Number)
	}
	for _, a := range m.GetAccepted() {
		tip, err := TipFromPB(a.GetTip())
		if err != nil {
			return Statement{}, err
		}
		if n := len(s.Accepted); n > 0 && s.Accepted[n-1].Log.Compare(tip.Log) >= 0 {
			return Statement{}, fmt.Errorf("%w: hub statement %d is out of order", event.ErrMalformed, s.Number)
		}
		s.Accepted = append(s.Accepted, Accepted{tip, a.GetNewestWallUs()})
	}
	return s, nil
}

// StatementLog is the sum of one hub's statements in one epoch. The zero value is empty
// and takes any epoch. A gap in the numbers is no fault: the statements travel
// in the hub's own log, which may not have come whole yet.
type StatementLog struct {
	Epoch  string
	Number uint64
	WallUs int64
	Tips   map[event.LogID]Tip // looked up by log only; nothing depends on its order
}

// Next makes the statement that the hub issues now: the logs of held that moved
// since the book's last one. newest tells the greatest wall clock newly accepted
// in a log. It is false when nothing moved; a hub may state that too, as
// evidence of time.
func (b StatementLog) Next(epoch string, wallUs int64, held []HeldLog, newest func(event.LogID) int64) (Statement, bool) {
	s := Statement{Epoch: epoch, Number: 1, WallUs: wallUs}
	if b.Epoch == epoch {
		s.Number = b.Number + 1
	}
	for _, h := range held {
		if old, ok := b.Tips[h.Log]; len(h.Tips) > 0 && (!ok || b.Epoch != epoch || old != h.Tip()) {
			s.Accepted = append(s.Accepted, Accepted{LogTip{h.Log, h.Tip()}, newest(h.Log)})
		}
	}
	slices.SortFunc(s.Accepted, func(x, y Accepted) int { return x.Log.Compare(y.Log) })
	return s, len(s.Accepted) > 0
}

// Fault names what does not fit in a hub's statements.
type Fault uint8

// Faults. What two laptops were told differently is found by the fold of logs
// (ledger).
const (
	// WentBack: a log's tip is lower than in an earlier statement of the epoch. The
	// hub lost data and did not begin a new epoch.
	WentBack Fault = iota + 1
	// TimeBack: the hub's clock was set back between two statements.
	TimeBack
)

var faultText = [...]string{WentBack: "the server holds less of a log than it had stated", TimeBack: "the server's clock was set back"}

// String is a sentence.
func (f Fault) String() string { return faultText[f] }

// Finding is a fault and the log it is about, if it is about one.
type Finding struct {
	Fault Fault
	Log   event.LogID
	Seq   uint64
}

// Add enters the next statement, in the order of the hub's log, and names what
// does not fit with those before. A statement of a new epoch begins a new book.
func (b *StatementLog) Add(s Statement) (found []Finding) {
	if s.Epoch != b.Epoch {
		*b = StatementLog{Epoch: s.Epoch}
	}
	if s.Number <= b.Number {
		return nil // an older one, come late: the newer ones stand
	}
	if s.WallUs < b.WallUs {
		found = append(found, Finding{Fault: TimeBack})
	}
	if b.Tips == nil {
		b.Tips = make(map[event.LogID]Tip, len(s.Accepted))
	}
	for _, a := range s.Accepted {
		if a.Seq < b.Tips[a.Log].Seq {
			found = append(found, Finding{WentBack, a.Log, a.Seq})
		}
		b.Tips[a.Log] = a.Tip
	}
	b.Number, b.WallUs = s.Number, s.WallUs
	return found
}
