package exchange

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Mutants of this package, and the test that kills each:
//
//	skip the signature                    TestCheckRefusals/broken signature, FuzzCheck
//	accept past the last signature        TestCheckTakesUpToTheLastSignature
//	accept a gap                          TestCheckRefusals/gap
//	reuse a seq: drop the second branch   TestCheckKeepsBothBranches, TestReplicasConverge
//	keep a signature nobody verified      TestCheckTakesOffUnverifiedSignatures
//	take a forged clock                   TestCheckRefusals/clock back

func TestCheckTakesAWholeLogWithOneVerification(t *testing.T) {
	_, recs := chain(50, 10)
	r := newReplica()
	c := r.receive(t, runOf(recs...))
	require.Nil(t, c.Refused)
	require.Len(t, c.Accept, 51)
	require.Equal(t, "laptop 1", c.Opened.DeviceName)
	require.Equal(t, Tip{50, recs[50].Hash}, c.State.Tip())
	signed := 0
	for _, rec := range c.Accept {
		if rec.Signed() {
			signed++
		}
	}
	require.Equal(t, 1, signed)
}

func TestCheckSkipsWhatIsHeld(t *testing.T) {
	_, recs := chain(20, 5)
	r := newReplica()
	r.receive(t, runOf(recs[:11]...))
	require.Empty(t, r.receive(t, runOf(recs[:11]...)).Accept, "the same run twice")
	c := r.receive(t, runOf(recs[3:21]...))
	require.Nil(t, c.Refused)
	require.Equal(t, uint64(11), c.Accept[0].Seq())
	require.Len(t, c.Accept, 10)
	require.Zero(t, c.ForkAt)
}

func TestCheckTakesUpToTheLastSignature(t *testing.T) {
	_, recs := chain(13, 5)
	c := newReplica().receive(t, runOf(recs...))
	require.Nil(t, c.Refused)
	require.Equal(t, uint64(10), c.State.Tip().Seq)
	require.Len(t, c.Accept, 11)
}

func TestCheckTakesOffUnverifiedSignatures(t *testing.T) {
	_, recs := chain(10, 1)
	recs[4].Raw.Signature[7] ^= 1
	c := newReplica().receive(t, runOf(recs...)) // receive verifies what is kept
	require.Nil(t, c.Refused)
	require.Len(t, c.Accept, 11)
	require.False(t, c.Accept[4].Signed())
}

func TestCheckKeepsStonesToCutAt(t *testing.T) {
	_, recs := chain(2000, 1)
	c := newReplica().receive(t, runOf(recs...))
	require.Nil(t, c.Refused)
	last, size := 0, 0
	for i, rec := range c.Accept {
		if size += rec.Size(); rec.Signed() {
			require.LessOrEqual(t, size, StoneBytes+rec.Size())
			last, size = i, 0
		}
	}
	require.Equal(t, 2000, last)
}

func TestCheckKeepsBothBranches(t *testing.T) {
	a, recs := chain(10, 1)
	b := a.twin()
	left := append(slices.Clone(recs), a.writeN(3, "left")...)
	right := b.writeN(5, "right")

	r := newReplica()
	r.receive(t, runOf(left...))
	require.Equal(t, Detached, r.receive(t, runOf(right[1:]...)).Refused.Why)
	c := r.receive(t, runOf(append(slices.Clone(recs[5:]), right...)...))
	require.Nil(t, c.Refused)
	require.Equal(t, uint64(11), c.ForkAt)
	require.Equal(t, uint64(11), c.State.Fork)
	require.Equal(t, []Tip{{15, right[4].Hash}, {13, left[13].Hash}}, c.State.Tips)
	require.Len(t, r.all(), 19)

	woven := newReplica()
	c = woven.receive(t, runOf(r.logs[a.log].recs...))
	require.Nil(t, c.Refused)
	require.Equal(t, r.all(), woven.all())
	require.Equal(t, r.held(), woven.held())
}

func TestCheckRefillsAMissingRun(t *testing.T) {
	a, recs := chain(30, 1)
	r := newReplica()
	r.receive(t, runOf(recs...))
	r.drop(a.log, 11, 19)
	c := r.receive(t, runOf(recs[11:15]...))
	require.Nil(t, c.Refused)
	require.Equal(t, []SeqRange{{15, 19}}, c.State.Missing)
	require.Equal(t, []Tip{{30, recs[30].Hash}}, c.State.Tips)
	unsigned := must(event.Open(&pb.Record{Header: recs[19].Raw.Header, Payload: recs[19].Raw.Payload}))
	c = r.receive(t, runOf(append(slices.Clone(recs[15:19]), unsigned)...))
	require.Nil(t, c.Refused, "a held record vouches for what leads to it")
	require.Empty(t, c.State.Missing)
	require.Zero(t, c.State.Fork)
	require.Len(t, r.all(), 31)
}

// rewrite seals a record again with its header changed.
func rewrite(a *author, rec *event.Record, change func(*pb.Header)) *event.Record {
	change(rec.Head)
	return must(event.Seal(rec.Head, rec.Raw.Payload, a.sign))
}

func TestCheckRefusals(t *testing.T) {
	tests := []struct {
		name  string
		held  int // records of the log held before
		run   func(a *author, recs []*event.Record) *pb.Run
		why   Why
		taken int
	}{
		{"gap", 5, func(_ *author, recs []*event.Record) *pb.Run { return runOf(recs[6:]...) }, Gap, 0},
		{"unknown log", 0, func(_ *author, recs []*event.Record) *pb.Run { return runOf(recs[1:]...) }, UnknownLog, 0},
		{"empty", 5, func(a *author, _ []*event.Record) *pb.Run { return &pb.Run{Log: a.log[:], From: 5} }, Malformed, 0},
		{"no log", 0, func(_ *author, _ []*event.Record) *pb.Run { return &pb.Run{Records: [][]byte{nil}} }, Malformed, 0},
		{"hole in the run", 5, func(_ *author, recs []*event.Record) *pb.Run {
			return runOf(slices.Delete(slices.Clone(recs[5:]), 3, 4)...)
		}, BrokenChain, 3},
		{"swapped", 5, func(_ *author, recs []*event.Record) *pb.Run {
			recs[7], recs[8] = recs[8], recs[7]
			return runOf(recs[5:]...)
		}, BrokenChain, 2},
		{"starts elsewhere than it says", 5, func(_ *author, recs []*event.Record) *pb.Run {
			run := runOf(recs[5:]...)
			run.From = 4
			return run
		}, BrokenChain, 0},
		{"other log", 5, func(_ *author, recs []*event.Record) *pb.Run {
			b, first := newAuthor(2, pb.Lane_LANE_ORDINARY, 1)
			_ = first
			return runOf(append(slices.Clone(recs[5:8]), b.writeN(8, "b")[7])...)
		}, WrongLog, 3},
		{"payload", 5, func(_ *author, recs []*event.Record) *pb.Run {
			recs[8].Raw.Payload = []byte("other")
			return runOf(recs[5:]...)
		}, BrokenPayload, 3},
		{"broken signature", 5, func(_ *author, recs []*event.Record) *pb.Run {
			recs[len(recs)-1].Raw.Signature[0] ^= 1
			return runOf(recs[5:]...)
		}, BrokenSignature, 0},
		{"signed by another key", 5, func(a *author, recs []*event.Record) *pb.Run {
			b, _ := newAuthor(2, pb.Lane_LANE_ORDINARY, 1)
			b.log, b.seq, b.hash, b.hlcUs = a.log, 4, recs[4].Hash, recs[4].Head.HlcUs
			return runOf(b.writeN(3, "forged")...)
		}, BrokenSignature, 0},
		{"unsigned", 5, func(_ *author, recs []*event.Record) *pb.Run {
			for _, r := range recs {
				r.Raw.Signature = nil
			}
			return runOf(recs[5:]...)
		}, Unsigned, 0},
		{"clock back", 5, func(a *author, recs []*event.Record) *pb.Run {
			return runOf(recs[5], rewrite(a, recs[6], func(h *pb.Header) { h.HlcUs = 3 }))
		}, ClockBack, 1},
		{"clock back at the seam", 5, func(a *author, recs []*event.Record) *pb.Run {
			return runOf(rewrite(a, recs[5], func(h *pb.Header) { h.HlcUs = 3 }))
		}, ClockBack, 0},
		{"another device in the header", 5, func(a *author, recs []*event.Record) *pb.Run {
			return runOf(recs[5], rewrite(a, recs[6], func(h *pb.Header) { h.Device = []byte("sixteen bytes !!") }))
		}, WrongDevice, 1},
		{"newer", 5, func(_ *author, recs []*event.Record) *pb.Run {
			run := runOf(recs[5:8]...)
			run.Records[2] = must(proto.Marshal(&pb.Record{Header: []byte{8, 9}}))
			return run
		}, Newer, 2},
		{"bytes beside the record", 5, func(_ *author, recs []*event.Record) *pb.Run {
			run := runOf(recs[5:]...)
			run.Records[1] = append(run.Records[1], 0x20, 1)
			return run
		}, Malformed, 1},
		{"record too large", 5, func(_ *author, recs []*event.Record) *pb.Run {
			run := runOf(recs[5:]...)
			run.Records[1] = make([]byte, event.MaxRecordBytes+1)
			return run
		}, TooLarge, 1},
		{"run too large", 5, func(a *author, _ []*event.Record) *pb.Run {
			return &pb.Run{Log: a.log[:], From: 5, Records: [][]byte{make([]byte, MaxRunBytes+1)}}
		}, TooLarge, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a, recs := chain(12, 1)
			r := newReplica()
			if tt.held > 0 {
				r.receive(t, runOf(recs[:tt.held]...))
			}
			c := r.receive(t, tt.run(a, recs))
			require.NotNil(t, c.Refused)
			require.Equal(t, tt.why, c.Refused.Why, c.Refused.Error())
			require.Len(t, c.Accept, tt.taken)
			if tt.held > 0 {
				require.Equal(t, uint64(tt.held-1+tt.taken), c.Refused.Held.Seq)
			}
			back, err := RefusalFromPB(c.Refused.PB())
			require.NoError(t, err)
			require.Equal(t, c.Refused.Damage(), back.Damage())
			require.Equal(t, c.Refused.Held, back.Held)
		})
	}
}

func TestCheckBoundsBranches(t *testing.T) {
	a, recs := chain(1, 1)
	r := newReplica()
	r.receive(t, runOf(recs...))
	for i := range MaxBranches {
		b := a.twin()
		require.Nil(t, r.receive(t, runOf(recs[1], b.write(string(rune('a'+i))), b.write("next"))).Refused)
	}
	require.Equal(t, TooManyBranches, r.receive(t, runOf(a.writeN(2, "one more")...)).Refused.Why)
	require.Len(t, r.held()[0].Tips, MaxBranches)
}

// BenchmarkCheck is a log of 100,000 records of about 300 bytes in runs of 1 MiB.
func BenchmarkCheck(b *testing.B) {
	const records = 100_000
	a, first := newAuthor(1, pb.Lane_LANE_ORDINARY, 100)
	recs := append([]*event.Record{first}, a.writeN(records, strings.Repeat("a note of some length ", 5))...)
	runs, bytes := cutAll(recs), 0
	for _, rec := range recs {
		bytes += rec.Size()
	}
	b.SetBytes(int64(bytes))
	b.ReportAllocs()
	for b.Loop() {
		state, taken := LogState{HeldLog: HeldLog{Log: recs[0].Log}}, 0
		for _, run := range runs {
			state.At = func(uint64) []Point { return []Point{{Hash: state.Tip().Hash}} }
			c := Check(run, state)
			if c.Refused != nil {
				b.Fatal(c.Refused)
			}
			taken += len(c.Accept)
			state = c.State
		}
		if taken < records {
			b.Fatal(taken)
		}
	}
	b.ReportMetric(float64(bytes)/records, "B/record")
}

// cutAll cuts a whole log into the runs that a sender would make.
func cutAll(recs []*event.Record) (runs []*pb.Run) {
	for {
		cut, next := CutRun(recs, MaxBatchBytes)
		if len(cut) == 0 {
			return runs
		}
		runs = append(runs, runOf(cut...))
		recs = recs[next-recs[0].Seq():]
		if len(recs) == 0 {
			return runs
		}
	}
}
