package exchange

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// What is held without a signature that vouches for it is told as missing, up to
// the tip itself. To a program that does not know the word it is a gap below the tip.
func TestWhatIsBareIsToldUpToTheTip(t *testing.T) {
	h := HeldLog{Log: logA, Tips: []Tip{at("x", 5), at("y", 2)}, Missing: []SeqRange{{1, 2}, {4, 5}}}
	wire := HeldPB([]HeldLog{h})
	require.True(t, wire[0].Unvouched)
	require.EqualValues(t, 4, wire[0].Missing[1].To)
	require.False(t, wire[1].Unvouched)
	back, err := HeldFromPB(wire)
	require.NoError(t, err)
	require.Equal(t, []HeldLog{h}, back)

	only := HeldLog{Log: logA, Tips: []Tip{at("x", 5)}, Missing: []SeqRange{{5, 5}}}
	back, err = HeldFromPB(HeldPB([]HeldLog{only}))
	require.NoError(t, err)
	require.Equal(t, []HeldLog{only}, back)
}

// Whoever can vouch for a part of what is bare sends it again, however little of the
// log it holds itself; and the receiver takes it although it holds it.
func TestWhatIsBareIsTakenAgain(t *testing.T) {
	a, first := newAuthor(1, 1, 1)
	giver, taker := newReplica(), newReplica()
	giver.receive(t, runOf(first))
	more := a.commit(2, "more")
	taker.receive(t, runOf(first, more[0], more[1]))
	l := taker.logs[a.log]
	taker.drop(a.log, 2, 2) // with the one signature that was kept
	l.state.Tips, l.state.Missing = []Tip{{1, l.recs[1].Hash}}, []SeqRange{{0, 1}}

	send, ok := NewPusher(giver.held(), taker.held(), giver.has).Next()
	require.True(t, ok, "the giver holds the opening alone, and can vouch for it")
	require.Zero(t, send.From)

	have := taker.state(a.log)
	have.At = func(seq uint64) []Point {
		points := l.at(seq)
		for i := range points {
			points[i].Bare = true
		}
		return points
	}
	c := Check(runOf(first), have)
	require.Nil(t, c.Refused)
	require.Len(t, c.Accept, 1)
	require.Equal(t, first.Hash, c.Accept[0].Hash)
	require.True(t, c.Accept[0].Signed())
	require.Zero(t, c.ForkAt, "it stands beside itself")
	require.Equal(t, []SeqRange{{1, 1}}, c.State.Missing)

	c = Check(runOf(more[1]), have)
	require.Nil(t, c.Refused)
	require.Len(t, c.Accept, 1, "a signature past what is bare vouches for it")
	require.Zero(t, c.ForkAt)
}
