package exchange

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// Mutants of the sender, and the test that kills each:
//
//	count as held what was only sent   TestPusherSendsAgainAfterALoss, TestReplicasConverge
//	urgent logs wait their turn        TestPusherSendsUrgentFirst
//	one log starves another            TestPusherTakesTurns
//	ask for ever                       TestPusherGivesUpOnALogNotOnTheRest
//	send back what came from there     TestPusherSendsNothingBack

func urgentTo(log event.LogID, tips ...Tip) HeldLog {
	h := heldTo(log, tips...)
	h.Lane = pb.Lane_LANE_URGENT
	return h
}

func nextOf(t *testing.T, p *Pusher) Want {
	t.Helper()
	s, ok := p.Next()
	require.True(t, ok)
	return s.Want
}

func TestPusherSendsUrgentFirst(t *testing.T) {
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 900)), urgentTo(logB, at("u", 3))}, nil, nil)
	require.Equal(t, Want{Log: logB, Urgent: true, To: 3}, nextOf(t, p))
	_, ok := p.Next()
	require.False(t, ok, "one run at a time")
	p.Acked(4, []LogTip{{logB, at("u", 3)}}, nil)
	require.Equal(t, Want{Log: logA, To: 900}, nextOf(t, p))
	p.Moved(urgentTo(logB, at("u", 4)))
	p.Acked(100, []LogTip{{logA, at("x", 99)}}, nil)
	require.Equal(t, Want{Log: logB, Urgent: true, From: 4, To: 4}, nextOf(t, p), "a hold overtakes a long backlog")
	p.Streamed(5)
	require.Equal(t, Want{Log: logA, From: 100, To: 900}, nextOf(t, p))
}

func TestPusherTakesTurns(t *testing.T) {
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 900)), heldTo(logB, at("y", 900))}, nil, nil)
	var order []event.LogID
	for i := range uint64(4) {
		order = append(order, nextOf(t, p).Log)
		p.Streamed(i/2 + 1)
	}
	require.Equal(t, []event.LogID{logA, logB, logA, logB}, order)
}

func TestPusherSendsAgainAfterALoss(t *testing.T) {
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 9))}, []HeldLog{heldTo(logA, at("x", 3))}, onBranch("x", 9))
	first := nextOf(t, p)
	require.Equal(t, uint64(4), first.From)
	p.Failed()
	require.Equal(t, first, nextOf(t, p))
	p.Acked(10, []LogTip{{logA, at("x", 6)}}, nil)
	require.Equal(t, uint64(7), nextOf(t, p).From, "they hold less than was sent")
	p.Acked(10, nil, []*Refusal{{Why: Gap, Log: logA, Held: at("x", 2)}})
	require.Equal(t, uint64(3), nextOf(t, p).From, "they lost data since")
	p.Acked(10, nil, []*Refusal{{Why: UnknownLog, Log: logA}})
	require.Equal(t, uint64(0), nextOf(t, p).From)
	p.Acked(10, []LogTip{{logA, at("x", 9)}}, nil)
	_, ok := p.Next()
	require.False(t, ok)
}

func TestPusherGivesUpOnALogNotOnTheRest(t *testing.T) {
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 9)), heldTo(logB, at("y", 9))}, nil, nil)
	nextOf(t, p)
	p.Acked(10, nil, []*Refusal{{Why: BrokenSignature, Log: logA}})
	require.Len(t, p.Aside(), 1)
	require.Equal(t, logA, p.Aside()[0].Log)
	for range maxStrikes {
		require.Equal(t, logB, nextOf(t, p).Log)
		p.Acked(10, nil, nil)
	}
	_, ok := p.Next()
	require.False(t, ok)
	require.Len(t, p.Aside(), 2)
}

func TestPusherSendsNothingBack(t *testing.T) {
	p := NewPusher(nil, []HeldLog{heldTo(logA, at("x", 9))}, onBranch("x", 20))
	for _, seq := range []uint64{4, 9, 12} {
		p.TheyHold(LogTip{logA, at("x", seq)})
		p.Moved(heldTo(logA, at("x", seq)))
		_, ok := p.Next()
		require.False(t, ok, "seq %d", seq)
	}
	p.Moved(heldTo(logA, at("x", 15)))
	require.Equal(t, uint64(13), nextOf(t, p).From)
}

// Two live copies of a folder write one log in turns: what the second writes lies
// where the first was already sent.
func TestPusherSendsTheBranchThatGrowsLater(t *testing.T) {
	forked := func(tips ...Tip) HeldLog {
		h := heldTo(logA, tips...)
		h.Fork = 3
		return h
	}
	p := NewPusher([]HeldLog{forked(at("y", 3), at("x", 3))}, nil, nil)
	require.Equal(t, uint64(3), nextOf(t, p).To)
	p.Streamed(4)
	p.Moved(forked(at("x", 4), at("y", 3)))
	require.Equal(t, uint64(4), nextOf(t, p).From)
	p.Streamed(5)
	p.Moved(forked(at("x", 4), at("y", 4)))
	w := nextOf(t, p)
	require.LessOrEqual(t, w.From, uint64(4), "the other branch came to place 4 after this one was sent")
	require.Equal(t, uint64(4), w.To)
	p.Streamed(5)
	_, ok := p.Next()
	require.False(t, ok)
	p.Moved(forked(at("x", 4), at("y", 4)))
	_, ok = p.Next()
	require.False(t, ok, "nothing is new")
}

// Several records of the shorter branch come before the log is looked at again, and take
// it to the place of the longer one or past it: all of them go out.
func TestPusherSendsAllOfABranchThatGrewFar(t *testing.T) {
	for _, to := range []uint64{5, 6, 9} {
		p := NewPusher([]HeldLog{heldTo(logA, at("x", 2))}, []HeldLog{heldTo(logA, at("x", 2))}, nil)
		forked := func(tips ...Tip) HeldLog { return HeldLog{Log: logA, Tips: tips, Fork: 3} }
		p.Moved(forked(at("x", 4), at("y", 3)))
		s, ok := p.Next()
		require.True(t, ok)
		p.Streamed(5)
		p.Moved(forked(at("y", to), at("x", 4)))
		s, ok = p.Next()
		require.True(t, ok)
		require.LessOrEqual(t, s.From, uint64(4), "the records 4 to %d of the other branch", to)
	}
}

func TestPusherRefillsThenGoesOn(t *testing.T) {
	theirs := HeldLog{Log: logA, Tips: []Tip{at("x", 20)}, Missing: []SeqRange{{3, 8}, {12, 12}}}
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 30))}, []HeldLog{theirs}, onBranch("x", 30))
	ack := []LogTip{{logA, at("x", 20)}}
	require.Equal(t, Want{Log: logA, From: 3, To: 8, Refill: true}, nextOf(t, p))
	p.Acked(6, ack, nil)
	require.Equal(t, Want{Log: logA, From: 6, To: 8, Refill: true}, nextOf(t, p))
	p.Acked(11, ack, nil)
	require.Equal(t, Want{Log: logA, From: 12, To: 12, Refill: true}, nextOf(t, p))
	p.Acked(14, ack, nil)
	require.Equal(t, Want{Log: logA, From: 21, To: 30}, nextOf(t, p))
}

func TestPusherWaitsWhereDamageLies(t *testing.T) {
	my := HeldLog{Log: logA, Tips: []Tip{at("x", 30)}, Missing: []SeqRange{{5, 9}}}
	p := NewPusher([]HeldLog{my}, []HeldLog{heldTo(logA, at("x", 2))}, onBranch("x", 30))
	require.Equal(t, uint64(3), nextOf(t, p).From)
	p.Unable()
	_, ok := p.Next()
	require.False(t, ok)
	my.Missing = nil
	p.Moved(my)
	require.Equal(t, uint64(3), nextOf(t, p).From)
}

func TestPusherSendsLessWhenRefusedAsTooLarge(t *testing.T) {
	p := NewPusher([]HeldLog{heldTo(logA, at("x", 9))}, nil, nil)
	nextOf(t, p)
	p.Acked(10, nil, []*Refusal{{Why: TooLarge, Log: logA}})
	s, ok := p.Next()
	require.True(t, ok)
	require.Equal(t, MaxBatchBytes/2, s.MaxBytes)
	p.Failed()
	s, _ = p.Next()
	require.Equal(t, MaxBatchBytes/4, s.MaxBytes)
	p.Acked(5, []LogTip{{logA, at("x", 4)}}, nil)
	s, _ = p.Next()
	require.Equal(t, MaxBatchBytes/2, s.MaxBytes)
}

// The size halves at each failure, doubles at each success, and stays in bounds.
func TestBatchSizeLaw(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		var b BatchSize
		for _, worked := range rapid.SliceOfN(rapid.Bool(), 0, 40).Draw(t, "outcomes") {
			before := b.Bytes()
			if worked {
				b.Worked()
				require.Equal(t, min(2*before, MaxBatchBytes), b.Bytes())
				continue
			}
			b.Failed()
			require.Equal(t, max(before/2, MinBatchBytes), b.Bytes())
		}
	})
}

// A run of CutRun is never larger than asked, unless no signature comes in time.
func TestCutRunLaw(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		every := rapid.Uint64Range(1, 30).Draw(t, "signature every")
		_, recs := chain(rapid.IntRange(0, 120).Draw(t, "records"), every)
		maxBytes := rapid.IntRange(1, 30_000).Draw(t, "bytes")
		run, next := CutRun(recs, maxBytes)
		require.NotEmpty(t, run, "the opening record is signed")
		require.Equal(t, run[len(run)-1].Seq()+1, next)
		require.True(t, run[len(run)-1].Signed())
		size, signed := 0, 0
		for _, r := range run {
			size += len(r.Wire())
			if r.Signed() {
				signed++
			}
		}
		require.True(t, size <= maxBytes || signed == 1, "%d bytes with %d signatures", size, signed)
	})
}

func TestCutRunEndsAtAHole(t *testing.T) {
	_, recs := chain(10, 2)
	run, next := CutRun(append(recs[:5:5], recs[6:]...), MaxBatchBytes)
	require.Len(t, run, 5)
	require.Equal(t, uint64(5), next)
	run, _ = CutRun(append(recs[3:4:4], recs[6:]...), MaxBatchBytes)
	require.Empty(t, run, "nothing signed before the hole")
}

func TestCutRunOfAForkTellsWhatNobodyVouchesFor(t *testing.T) {
	a, recs := chain(4, 1)
	b := a.twin()
	b.signEvery, a.signEvery = 100, 1
	r := newReplica()
	r.receive(t, runOf(append(recs, a.writeN(3, "a")...)...))
	l := r.logs[a.log]
	l.recs = append(l.recs, b.writeN(3, "b")...) // unsigned, so nobody vouches
	l.sort()
	run, next := CutRun(r.read(a.log, 0), MaxBatchBytes)
	require.Equal(t, uint64(7), run[len(run)-1].Seq())
	require.Equal(t, uint64(5), next)
}
