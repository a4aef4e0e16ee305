package exchange

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// One byte changed anywhere in a run: what is taken is as it was written, and
// nothing from the changed record on is taken, unless the change is in a
// signature that nothing depends on, which is then taken off.
func TestTamperedByteLaw(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		_, recs := chain(rapid.IntRange(1, 15).Draw(t, "records"), rapid.Uint64Range(1, 4).Draw(t, "signature every"))
		held := rapid.IntRange(0, len(recs)-1).Draw(t, "held")
		r := newReplica()
		if held > 0 {
			r.receive(t, runOf(recs[:held]...))
		}
		start := rapid.IntRange(0, len(r.all())).Draw(t, "start")
		run := runOf(recs[start:]...)
		at := rapid.IntRange(0, len(run.Records)-1).Draw(t, "record")
		i := rapid.IntRange(0, len(run.Records[at])-1).Draw(t, "byte")
		run.Records[at][i] ^= byte(rapid.IntRange(1, 255).Draw(t, "flip"))

		changed, err := event.DecodeStrict(run.Records[at])
		original := recs[start+at]
		onlySignature := err == nil && string(changed.Raw.Header) == string(original.Raw.Header) && string(changed.Raw.Payload) == string(original.Raw.Payload)
		already := r.has(original.Log, Tip{original.Seq(), original.Hash})
		for _, rec := range r.receive(t, run).Accept {
			was := recs[rec.Seq()]
			require.Equal(t, was.Raw.Header, rec.Raw.Header)
			require.Equal(t, was.Raw.Payload, rec.Raw.Payload)
			require.True(t, onlySignature || already || rec.Seq() < original.Seq(), "record %d past damage at %d", rec.Seq(), original.Seq())
		}
	})
}

// However a log is cut into runs, the same records are taken in the end.
func TestCuttingLaw(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		a, recs := chain(10, 3)
		recs = append(recs, a.commit(10, "more")...)
		bad := rapid.IntRange(1, len(recs)-1).Draw(t, "bad")
		recs[bad].Raw.Payload = []byte("damaged")
		whole := newReplica()
		whole.receive(t, runOf(recs...))
		parts := newReplica()
		for from := 0; from < len(recs); {
			n := rapid.IntRange(1, len(recs)).Draw(t, "cut")
			c := parts.receive(t, runOf(recs[from:min(from+n, len(recs))]...))
			if c.Refused != nil && c.Refused.Damage() && c.Refused.Why != Unsigned {
				break
			}
			from = len(parts.all())
			if c.Refused != nil { // no signature so far: ask for all the rest
				parts.receive(t, runOf(recs[from:]...))
				break
			}
		}
		require.Equal(t, whole.all(), parts.all())
	})
}

// Any bytes: no panic, and nothing is taken but what a real key signed.
func FuzzCheck(f *testing.F) {
	a, recs := chain(6, 2)
	fork := a.twin().writeN(2, "b")
	for _, run := range []*pb.Run{
		runOf(recs...), runOf(recs[3:]...), runOf(recs[5:]...), runOf(append(slices.Clone(recs[2:]), fork...)...), {},
	} {
		f.Add(must(proto.Marshal(run)))
	}
	known := map[event.Hash]bool{}
	for _, rec := range slices.Concat(recs, fork) {
		known[rec.Hash] = true
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		run := &pb.Run{}
		if proto.Unmarshal(data, run) != nil {
			return
		}
		r := newReplica()
		r.receive(t, runOf(recs[:5]...))
		c := r.receive(t, run)
		require.True(t, c.Refused != nil || len(c.Accept) > 0 || run.Log != nil)
		for _, rec := range c.Accept {
			if c.Opened == nil { // a log of the fuzzer's own has a key of its own
				require.True(t, known[rec.Hash])
			}
		}
		if n := len(c.Accept); n > 0 {
			require.True(t, c.Accept[n-1].Signed() || slices.ContainsFunc(recs[:5], func(h *event.Record) bool {
				return string(h.Head.Prev) == string(c.Accept[n-1].Hash[:])
			}))
		}
	})
}

// Any bytes as beliefs: no panic, and what is read is in bounds.
func FuzzBeliefs(f *testing.F) {
	f.Add(must(proto.Marshal(&pb.Beliefs{ProtocolVersion: 1, Held: HeldPB([]HeldLog{heldTo(logA, at("x", 3))})})))
	f.Fuzz(func(t *testing.T, data []byte) {
		m := &pb.Beliefs{}
		if proto.Unmarshal(data, m) != nil {
			return
		}
		held, err := HeldFromPB(m.Held)
		if err != nil {
			return
		}
		back, err := HeldFromPB(HeldPB(held))
		require.NoError(t, err)
		require.Equal(t, held, back)
		require.NotEmpty(t, Compare(Mine{Beliefs: Beliefs{Held: held}}, Beliefs{Held: held}))
		require.NotNil(t, NewPusher(nil, held, nil))
	})
}
