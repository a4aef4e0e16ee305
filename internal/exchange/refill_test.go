package exchange

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
)

// A gap is refilled also where the giver's log is forked below it: there the run
// would begin in the middle of a branch that the receiver does not hold. Both
// branches are held in the end.
func TestAGapAboveAForkIsRefilled(t *testing.T) {
	for fork := range 8 {
		for from := uint64(1); from < 10; from++ {
			a, first := newAuthor(1, 1, 1)
			giver, taker := newReplica(), newReplica()
			giver.receive(t, runOf(first))
			taker.receive(t, runOf(first))
			both := a.commit(fork, "both")
			b := a.twin()
			left, right := a.commit(12-fork, "left"), b.commit(12-fork, "right")
			if fork > 0 {
				giver.receive(t, runOf(both...))
				taker.receive(t, runOf(both...))
			}
			giver.receive(t, runOf(left...))
			giver.receive(t, runOf(right...))
			taker.receive(t, runOf(left...))
			want := giver.all()
			taker.drop(a.log, from, from+2)

			for session := range 3 {
				p := NewPusher(giver.held(), taker.held(), giver.has)
				for {
					send, ok := p.Next()
					if !ok {
						break
					}
					recs, next := CutRun(giver.read(send.Log, send.From), 2000) // a few records at a time
					c := taker.receive(t, runOf(recs...))
					var refused []*Refusal
					if c.Refused != nil {
						refused = append(refused, c.Refused)
					}
					p.Acked(next, []LogTip{{a.log, c.State.Tip()}}, refused)
				}
				if session == 0 {
					require.Empty(t, p.Aside(), "fork after %d, gap from %d", fork, from)
				}
			}
			require.Equal(t, want, taker.all(), "fork after %d, gap from %d", fork, from)
			require.Empty(t, taker.held()[0].Missing)
		}
	}
}

// What lies behind a stretch that cannot be given here is given, and the stretch stays
// open: another one may have it.
func TestWhatIsHeldOfTwoMissingStretchesIsGiven(t *testing.T) {
	a, first := newAuthor(1, 1, 1)
	giver, taker := newReplica(), newReplica()
	for _, run := range [][]*event.Record{{first}, a.commit(3, "one"), a.commit(3, "two")} {
		giver.receive(t, runOf(run...))
		taker.receive(t, runOf(run...))
	}
	giver.drop(a.log, 1, 2)
	taker.drop(a.log, 4, 5)
	theirs := taker.held()
	theirs[0].Missing = []SeqRange{{1, 3}, {4, 5}} // the first is held, and nothing vouches for it
	p := NewPusher(giver.held(), theirs, giver.has)
	send, ok := p.Next()
	require.True(t, ok)
	require.Equal(t, Want{Log: a.log, From: 4, To: 5, Refill: true}, send.Want)
	p.Acked(7, []LogTip{{a.log, taker.held()[0].Tip()}}, nil)
	require.Equal(t, []SeqRange{{1, 3}}, p.feed(a.log).theirs.Missing)
}
