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

// clock sets the barn's clock off by hours; ahead is above zero.
func (n *night) clock(h float64) { n.barn.Offset = time.Duration(h * float64(time.Hour)) }

// at goes on to an hour and does something then.
func (n *night) at(h float64, do func()) { n.hour(h); do() }

func (n *night) release(hold *event.Record) *event.Record {
	return n.clinic.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: hold.Hash.String(), Reason: "cleared"})
}

// urgent is a record of a laptop's urgent log that has nothing to do with the batch:
// whoever sees it adopts the clock, and has not seen the ordinary log.
func urgent(d *ledgertest.Device) *event.Record {
	return d.Write(&pb.BatchHeld{Product: "plasma", Batch: "X-77", Reason: "another call"})
}

// statement is what the clinic says as a server would.
func (n *night) statement() *event.Record {
	return n.clinic.Write(&pb.HubStatement{HubEpoch: []byte("e"), Number: 1, WallUs: n.Now().UnixMicro()})
}

// TestWhichCameFirst is the table of timelines on clocks that are wrong: hours are
// true, 'fast' and 'slow' is the barn's laptop, and today's clocks alone would tell
// most of them falsely.
func TestWhichCameFirst(t *testing.T) {
	for _, tt := range []struct {
		name string
		tell func(n *night)
		want string
	}{
		// Entered as it happened: what was seen decides.
		{"fast, hung before the hold, whose laptop had seen the start", func(n *night) {
			n.clock(3)
			n.at(1, func() { n.clinic.See(n.hang()) })
			n.at(2, func() { n.hold() })
		}, none},
		{"fast, hung before the hold, and the hold's laptop told what it saw in an earlier record", func(n *night) {
			n.clock(3)
			n.at(1, func() { n.clinic.See(n.hang()) })
			n.at(1.5, func() { n.clinic.Write(received("car")) })
			n.at(2, func() { n.hold() })
		}, none},
		{"slow, hung after its laptop heard", func(n *night) {
			n.clock(-3)
			n.at(1, func() { n.barn.Hear(n.hold()) })
			n.at(2, func() { n.hang() })
		}, ledger.HoldReached},
		{"slow, came by a peer or a stick: only the header of the start says so", func(n *night) {
			n.clock(-3)
			n.at(1, func() { n.barn.See(n.hold()) })
			n.at(2, func() { n.hang() })
		}, ledger.HoldReached},
		{"slow, came on a stick after the hanging", func(n *night) {
			n.clock(-3)
			n.barn.Measure()
			var h *event.Record
			n.at(1, func() { h = n.hold() })
			n.at(2, func() { n.hang() })
			n.at(3, func() { n.barn.Hear(h) })
		}, ledger.HoldNotReached},
		{"the hold was written on the same laptop before, and the clock was set back", func(n *night) {
			n.at(1, func() { n.barn.Write(held()) })
			n.clock(-5)
			n.at(2, func() { n.hang() })
		}, ledger.HoldReached},
		{"the hold was written on the same laptop afterwards, and the clock was set back", func(n *night) {
			n.at(2, func() { n.hang() })
			n.clock(-5)
			n.at(3, func() { n.barn.Write(held()) })
		}, none},
		{"saved a moment after it was asked for, the clock set back in between", func(n *night) {
			n.at(1, func() { n.barn.Hear(n.hold()) })
			n.at(2, func() { n.other() })
			n.clock(-0.5)
			n.at(2.2, func() { n.hang(ledgertest.Asked(300 * time.Millisecond)) })
		}, ledger.HoldReached},
		{"slow, hung after its laptop had seen the release", func(n *night) {
			n.clock(-1.5)
			var h *event.Record
			n.at(1, func() { h = n.hold(); n.barn.Hear(h) })
			n.at(2, func() { n.barn.See(n.release(h)) })
			n.at(3, func() { n.hang() })
		}, none},
		{"fast, hung before the release, whose laptop had seen the start", func(n *night) {
			n.clock(5)
			var h *event.Record
			n.at(1, func() { h = n.hold(); n.barn.Hear(h) })
			n.at(2, func() { n.clinic.See(n.hang()) })
			n.at(3, func() { n.release(h) })
		}, ledger.HoldReached},

		// Nothing seen proves it: the clocks, as measured.
		{"fast and measured, hung before the hold", func(n *night) {
			n.clock(3)
			n.barn.Measure()
			n.at(1, func() { n.hang() })
			n.at(2, func() { n.hold() })
		}, none},
		{"slow and measured, hung after a hold that had not come", func(n *night) {
			n.clock(-3)
			n.barn.Measure()
			n.at(1, func() { n.hold() })
			n.at(2, func() { n.hang() })
		}, ledger.HoldNotReached},
		{"both measured, within their errors", func(n *night) {
			n.barn.Measure()
			n.clinic.Measure()
			n.at(1, func() { n.hold() })
			n.barn.Offset = -990 * time.Millisecond // each record takes a second
			n.hang()
		}, ledger.HoldUnknown},

		// Nothing seen, nothing measured: the clocks, unless something contradicts.
		{"fast, not measured, hung before the hold, whose laptop had adopted its clock", func(n *night) {
			n.clock(3)
			n.at(1, func() { n.hang(); n.clinic.See(urgent(n.barn)) })
			n.at(2, func() { n.hold() })
		}, ledger.HoldUnknown},
		{"slow, not measured, its laptop had adopted a clock that stood after the hold", func(n *night) {
			n.clock(-3)
			n.at(1, func() { n.hold() })
			n.at(1.5, func() { n.barn.See(n.clinic.Write(received("car"))) })
			n.at(2, func() { n.hang() })
		}, ledger.HoldUnknown},
		{"slow, not measured, behind what its laptop had seen the server state", func(n *night) {
			n.at(0.5, func() { n.barn.See(n.statement()) })
			n.clock(-3)
			n.at(1, func() { n.hold() })
			n.at(2, func() { n.hang() })
		}, ledger.HoldUnknown},
		{"not measured, and nothing contradicts the clocks", func(n *night) {
			n.at(1, func() { n.hold() })
			n.at(2, func() { n.hang() })
		}, ledger.HoldNotReached},

		// Typed later: the clock, as measured.
		{"two days slow and measured, typed later, the hold had come", func(n *night) {
			n.clock(-48)
			n.barn.Measure()
			n.other()
			n.at(1, func() { n.barn.Hear(n.hold()) })
			n.at(4, func() { n.hang(in(3 - 48)) })
		}, ledger.HoldReached},
		{"two days slow and measured, typed later, the hold came after the hanging", func(n *night) {
			n.clock(-48)
			n.barn.Measure()
			var h *event.Record
			n.at(1, func() { h = n.hold() })
			n.at(2.5, func() { n.other() })
			n.at(3, func() { n.barn.Hear(h) })
			n.at(4, func() { n.hang(in(2 - 48)) })
		}, ledger.HoldNotReached},
		{"two days fast and measured, typed later, hung before the hold", func(n *night) {
			n.clock(48)
			n.barn.Measure()
			n.at(2, func() { n.hold() })
			n.at(3, func() { n.hang(in(1 + 48)) })
		}, none},
		{"two hours slow and measured, typed later: before the hold by a watch, after it by the laptop", func(n *night) {
			n.clock(-2)
			n.barn.Measure()
			n.at(1.5, func() { n.barn.Hear(n.hold()) })
			n.at(5, func() { n.hang(in(1)) })
		}, ledger.HoldUnknown},
		{"slow, not measured, typed later, behind what its laptop had seen the server state", func(n *night) {
			n.at(0.5, func() { n.barn.See(n.statement()) })
			n.clock(-48)
			n.at(1, func() { n.barn.Hear(n.hold()) })
			n.at(4, func() { n.hang(in(3 - 48)) })
		}, ledger.HoldUnknown},
		{"fast, typed later but before the hold, whose laptop had seen the entry", func(n *night) {
			n.clock(5)
			n.at(1, func() { n.clinic.See(n.hang(in(0.5 + 5))) })
			n.at(2, func() { n.hold() })
		}, none},
		{"the start moved past the hold by a correction that the hold's laptop had not seen", func(n *night) {
			var start *event.Record
			n.at(1, func() { start = n.hang(); n.clinic.See(start) })
			n.at(2, func() { n.barn.Hear(n.hold()) })
			n.at(4, func() { n.barn.Correct(start, started("C1", "name:MARE/", "car"), movedTo(3)) })
		}, ledger.HoldReached},
	} {
		t.Run(tt.name, func(t *testing.T) {
			n := newNight(t)
			require.Equal(t, tt.want, n.answer(tt.tell))
			require.Len(t, n.batch().Starts, 1, "what happened is told in any case")
		})
	}
}
