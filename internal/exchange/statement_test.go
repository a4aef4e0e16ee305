package exchange

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
)

func statement(number uint64, wallUs int64, tips ...LogTip) Statement {
	s := Statement{Epoch: "e1", Number: number, WallUs: wallUs}
	for _, t := range tips {
		s.Accepted = append(s.Accepted, Accepted{t, wallUs - 1})
	}
	return s
}

func TestStateOf(t *testing.T) {
	has := onBranch("x", 9)
	h := heldTo(logA, at("x", 9))
	forked := HeldLog{Log: logA, Tips: []Tip{at("x", 9), at("y", 7)}, Fork: 6}
	book := func(tip Tip) StatementLog {
		var b StatementLog
		require.Empty(t, b.Add(statement(1, 5, LogTip{logA, tip})))
		return b
	}
	tests := []struct {
		name string
		seq  uint64
		h    HeldLog
		d    Deliveries
		want Delivery
	}{
		{"nothing known", 4, h, Deliveries{}, SavedHere},
		{"acknowledged below", 4, h, Deliveries{Acked: []LogTip{{logA, at("x", 3)}}}, SavedHere},
		{"acknowledged", 4, h, Deliveries{Acked: []LogTip{{logA, at("x", 4)}}}, Sent},
		{"acknowledged past it", 4, h, Deliveries{Acked: []LogTip{{logA, at("x", 8)}}}, Sent},
		{"another log acknowledged", 4, h, Deliveries{Acked: []LogTip{{logB, at("x", 8)}}}, SavedHere},
		{"stated", 4, h, Deliveries{Statements: book(at("x", 8))}, HeldOnServer},
		{"stated below", 4, h, Deliveries{Acked: []LogTip{{logA, at("x", 8)}}, Statements: book(at("x", 3))}, Sent},
		{"a tip that is not ours", 4, h, Deliveries{Statements: book(at("y", 8))}, SavedHere},
		{"below a fork", 5, forked, Deliveries{Statements: book(at("x", 9))}, HeldOnServer},
		{"past a fork", 7, forked, Deliveries{Statements: book(at("x", 9))}, SavedHere},
		{"past a fork, the tip itself", 9, forked, Deliveries{Statements: book(at("x", 9))}, HeldOnServer},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, StateOf(LogTip{logA, at("x", tt.seq)}, tt.h, has, tt.d))
		})
	}
}

func TestHeldFallsBackToSentWhenTheServerBeginsAnew(t *testing.T) {
	h, has := heldTo(logA, at("x", 9)), onBranch("x", 9)
	d := Deliveries{Acked: []LogTip{{logA, at("x", 9)}}}
	d.Statements.Add(statement(3, 5, LogTip{logA, at("x", 9)}))
	require.Equal(t, HeldOnServer, StateOf(LogTip{logA, at("x", 9)}, h, has, d))
	d.Statements.Add(Statement{Epoch: "e2", Number: 1, WallUs: 6})
	require.Equal(t, Sent, StateOf(LogTip{logA, at("x", 9)}, h, has, d))
}

func TestBookFollowsAHub(t *testing.T) {
	newest := func(event.LogID) int64 { return 77 }
	var hub, laptop StatementLog
	s, moved := hub.Next("e1", 10, []HeldLog{heldTo(logA, at("x", 3)), heldTo(logB, at("y", 1))}, newest)
	require.True(t, moved)
	require.Equal(t, uint64(1), s.Number)
	require.Len(t, s.Accepted, 2)
	require.Empty(t, hub.Add(s))

	s, moved = hub.Next("e1", 20, []HeldLog{heldTo(logA, at("x", 3)), heldTo(logB, at("y", 2))}, newest)
	require.True(t, moved)
	require.Equal(t, []Accepted{{LogTip{logB, at("y", 2)}, 77}}, s.Accepted, "only what moved")
	back, err := StatementFromPB(s.PB())
	require.NoError(t, err)
	require.Equal(t, s, back)
	require.Empty(t, hub.Add(s))
	_, moved = hub.Next("e1", 30, []HeldLog{heldTo(logA, at("x", 3)), heldTo(logB, at("y", 2))}, newest)
	require.False(t, moved)

	require.Empty(t, laptop.Add(statement(1, 10, LogTip{logA, at("x", 3)}, LogTip{logB, at("y", 1)})))
	require.Empty(t, laptop.Add(s))
	require.Equal(t, []Finding{{Fault: TimeBack}, {WentBack, logA, 2}}, laptop.Add(statement(3, 15, LogTip{logA, at("x", 2)})))
	require.Empty(t, laptop.Add(statement(2, 1)), "late, and passed over")
	require.Equal(t, uint64(3), laptop.Number)
}

func TestStatementFromPBRefuses(t *testing.T) {
	good := statement(1, 5, LogTip{logA, at("x", 3)}, LogTip{logB, at("x", 3)})
	m := good.PB()
	m.Accepted[0], m.Accepted[1] = m.Accepted[1], m.Accepted[0]
	_, err := StatementFromPB(m)
	require.ErrorIs(t, err, event.ErrMalformed)
	m = good.PB()
	m.Number = 0
	_, err = StatementFromPB(m)
	require.ErrorIs(t, err, event.ErrMalformed)
	m = good.PB()
	m.Accepted[1].Tip.Hash = nil
	_, err = StatementFromPB(m)
	require.ErrorIs(t, err, event.ErrMalformed)
}
