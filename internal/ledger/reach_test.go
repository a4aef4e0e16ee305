package ledger_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

func held() *pb.BatchHeld {
	return &pb.BatchHeld{Product: "plasma", Batch: "H2207", Reason: "maker called"}
}

// night is a laptop in a barn and one in the clinic; hours count from the start.
type night struct {
	*ledgertest.World
	barn, clinic *ledgertest.Device
	t            *testing.T
}

func newNight(t *testing.T) *night {
	w := ledgertest.New(t)
	return &night{World: w, barn: w.Device("barn"), clinic: w.Device("clinic"), t: t}
}

// hour lets time go by until an hour of the night.
func (n *night) hour(h float64) {
	to := ledgertest.Start.Add(time.Duration(h * float64(time.Hour)))
	require.False(n.t, to.Before(n.Now()), "hour %v has gone by", h)
	n.Pass(to.Sub(n.Now()))
}

func (n *night) hold() *event.Record { return n.clinic.Write(held()) }

// hang enters the start of the bag at the barn.
func (n *night) hang(opts ...ledgertest.Option) *event.Record {
	return n.barn.Write(started("C1", "name:MARE/", "car"), opts...)
}

// other is any other record of the barn's laptop about the batch.
func (n *night) other() *event.Record {
	return n.barn.Write(&pb.ReactionNoted{Case: "C9", Signs: []string{"hives"}, Product: "plasma", Batch: "H2207"})
}

func (n *night) batch() *ledger.Batch {
	b, ok := ledgertest.Fold(batchKey, n.Records()).(*ledger.Batch)
	require.True(n.t, ok)
	return b
}

// none is the answer when no bag was given after a hold.
const none = "no discrepancy"

// answer is what the books say of a night about the hold and the hanging.
func (n *night) answer(tell func(*night)) string {
	n.barn.Write(received("car"))
	tell(n)
	got := none
	for _, d := range n.batch().Discrepancies() {
		require.Equal(n.t, ledger.GivenAfterHold, d.Kind)
		require.True(n.t, d.Open)
		got = d.HoldReached
	}
	return got
}

// TestCouldTheyHaveKnown is the table of timelines: each answer is about the
// moment of hanging on the device's own clock, not about the moment of typing.
func TestCouldTheyHaveKnown(t *testing.T) {
	for _, tt := range []struct {
		name string
		tell func(n *night)
		want string
	}{
		{"typed as it happened, the hold had come", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(2)
			n.barn.Hear(h)
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
		{"typed as it happened, the hold never came", func(n *night) {
			n.hour(1)
			n.hold()
			n.hour(3)
			n.hang()
		}, ledger.HoldNotReached},
		{"typed as it happened, the hold came afterwards", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(3)
			n.hang()
			n.hour(4)
			n.barn.Hear(h)
		}, ledger.HoldNotReached},
		{"hung before the hold came, typed after: last known point is after the hanging", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(3)
			n.other()
			n.hour(4)
			n.barn.Hear(h)
			n.hour(5)
			n.hang(in(2))
		}, ledger.HoldNotReached},
		{"the same, and the laptop's record in between was about something else", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(3)
			n.barn.Write(&pb.KitCounted{Place: "car", Item: 1, Counted: 1})
			n.hour(4)
			n.barn.Hear(h)
			n.hour(5)
			n.hang(in(2))
		}, ledger.HoldNotReached},
		{"hung between the last record and the hearing, typed after: nobody knows", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(2)
			n.other()
			n.hour(4)
			n.barn.Hear(h)
			n.hour(5)
			n.hang(in(3))
		}, ledger.HoldUnknown},
		{"hung after the hold came, typed much later", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(2)
			n.barn.Hear(h)
			n.hour(9)
			n.hang(in(3))
		}, ledger.HoldReached},
		{"typed late, and the hold still had not come", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(6)
			n.hang(in(3))
			n.hour(7)
			n.barn.Hear(h)
		}, ledger.HoldNotReached},
		{"came by another laptop, and only the header says so", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(2)
			n.barn.See(h)
			n.other()
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
		{"came on a stick after the hanging, start typed after the stick", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(2)
			n.other()
			n.hour(4)
			n.barn.See(h)
			n.hang(in(3))
		}, ledger.HoldUnknown},
		{"the same laptop placed the hold", func(n *night) {
			n.hour(1)
			n.barn.Write(held())
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
		{"the clock was set back after the hold came, typed as it happened", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(5)
			n.barn.Hear(h)
			n.barn.Offset = -2 * time.Hour
			n.hour(6)
			n.hang()
		}, ledger.HoldReached},
		{"the clock was set back past an older record, typed as it happened", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(4.5)
			n.other()
			n.hour(5)
			n.barn.Hear(h)
			n.barn.Offset = -2 * time.Hour
			n.hour(6)
			n.hang()
		}, ledger.HoldReached},
		{"the clock was set back, typed late: its times tell nothing", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(4.5)
			n.other()
			n.hour(5)
			n.barn.Hear(h)
			n.barn.Offset = -2 * time.Hour
			n.hour(6)
			n.other()
			n.hour(6.4)
			n.hang(in(4.2))
		}, ledger.HoldUnknown},
		{"told for a time to come: no later record", func(n *night) {
			n.hour(1)
			n.hold()
			n.hour(2)
			n.hang(in(3))
		}, ledger.HoldUnknown},
		{"a correction moved the hanging before the hold", func(n *night) {
			n.hour(2)
			n.hold()
			n.hour(3)
			start := n.hang()
			n.hour(4)
			n.barn.Correct(start, started("C1", "name:MARE/", "car"), movedTo(1))
		}, none},
		{"a correction moved the hanging after the hold came", func(n *night) {
			n.hour(1)
			start := n.hang()
			n.hour(2)
			h := n.hold()
			n.hour(3)
			n.barn.Hear(h)
			n.hour(5)
			n.barn.Correct(start, started("C1", "name:MARE/", "car"), movedTo(4))
		}, ledger.HoldReached},
		{"the hold was placed later than it says", func(n *night) {
			n.hour(3)
			n.hang()
			n.hour(5)
			n.clinic.Write(held(), in(2))
		}, ledger.HoldNotReached},
		{"the hold was released before", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.barn.Hear(h)
			n.hour(2)
			n.clinic.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: h.Hash.String(), Reason: "cleared"})
			n.hour(3)
			n.hang()
		}, none},
		{"the hold was released afterwards", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.barn.Hear(h)
			n.hour(3)
			n.hang()
			n.hour(4)
			n.clinic.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: h.Hash.String(), Reason: "cleared"})
		}, ledger.HoldReached},
		{"two holds, one released: the other still stands", func(n *night) {
			n.hour(1)
			first := n.hold()
			second := n.hold()
			n.barn.Hear(first)
			n.barn.Hear(second)
			n.hour(2)
			n.clinic.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: first.Hash.String(), Reason: "cleared"})
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
		{"two holds, only the elder had come: the graver answer", func(n *night) {
			n.hour(1)
			n.barn.Hear(n.hold())
			n.hour(2)
			n.hold()
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
		{"the hold was typed on the wrong batch and voided", func(n *night) {
			n.hour(1)
			h := n.hold()
			n.hour(3)
			n.hang()
			n.hour(4)
			n.clinic.Correct(h, nil)
		}, none},
		{"hung before the hold", func(n *night) {
			n.hour(1)
			n.hang()
			n.hour(2)
			n.hold()
		}, none},
		{"a new log of the same run of the machine", func(n *night) {
			n.hour(1)
			n.barn.Hear(n.hold())
			n.hour(2)
			n.barn.NewEpoch("restored")
			n.hour(3)
			n.hang()
		}, ledger.HoldReached},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, newNight(t).answer(tt.tell))
		})
	}
}

// A hold from a laptop that is shut out is out of the books, and with it the
// discrepancy.
func TestHoldPastACut(t *testing.T) {
	w := ledgertest.New(t)
	clinic, barn, thief := w.Device("clinic"), w.Device("barn"), w.Device("thief")
	founding := w.Found(clinic)
	w.Admit(clinic, barn)
	w.Admit(clinic, thief)
	barn.SignsAs("owner", founding)
	cuts := thief.Tips()
	w.Pass(time.Hour)
	thief.Write(held())
	w.Pass(time.Hour)
	barn.Write(started("C1", "name:MARE/", "car"))
	require.Equal(t, []string{ledger.GivenAfterHold, ledger.NotEntitled}, kindsOf(ledgertest.Fold(batchKey, w.Records())))

	clinic.Write(&pb.RightsRevoked{Device: thief.ID(), Cuts: cuts, Reason: "stolen"})
	require.Empty(t, kindsOf(ledgertest.Fold(batchKey, w.Records())))
}

func TestHoldsOfABatch(t *testing.T) {
	n := newNight(t)
	first := n.hold()
	recall := n.clinic.Write(&pb.BatchRecalled{Product: "plasma", Batch: "h-2207", Reason: "maker recall"})
	n.barn.Hear(first)
	n.barn.Hear(recall)
	n.clinic.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: first.Hash.String(), Reason: "cleared"})

	b := n.batch()
	require.Len(t, b.Holds, 2)
	require.False(t, b.Holds[0].Stands())
	require.Len(t, b.Standing(), 1, "one release never frees another hold")
	require.True(t, b.Standing()[0].Recall)
	require.Len(t, b.Heard, 2)
	require.Equal(t, n.barn.Log(), b.Heard[0].Log)
	require.NotZero(t, b.Heard[0].PreviousWallMs)
}

func movedTo(h float64) ledgertest.Option {
	return ledgertest.MovedTo(ledgertest.Start.Add(time.Duration(h * float64(time.Hour))))
}
