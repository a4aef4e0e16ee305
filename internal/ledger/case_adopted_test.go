package ledger_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// adopted is a case taken over by a code: bag B1, begun 40 minutes after the
// world did.
func adopted(id string) *pb.CaseAdopted {
	start := ledgertest.Start.Add(40 * time.Minute).UnixMilli()
	return &pb.CaseAdopted{
		Case: id, Way: pb.AdoptedBy_ADOPTED_BY_CODE, Bag: "B1", Product: "plasma", Batch: "H2207", DamName: "Quiet Harbour", Mark: "star",
		WeightG: proto.Int32(52_500), GivenMl: proto.Int32(300), MlPerH: proto.Int32(900), SlowStage: true, ReactionSeen: true,
		StartedAt: &pb.Moment{UnixMs: start}, SetAttachedAt: &pb.Moment{UnixMs: start - 60_000}, ReadAt: &pb.Moment{UnixMs: start + 20*60_000},
		NextVitalsAt: &pb.Moment{UnixMs: start + 45*60_000},
	}
}

// barn is one treatment: a laptop begins it and writes down what the code tells;
// another takes it over by the code and ends it. Neither has seen the other.
type barn struct {
	*ledgertest.World
	first, second *ledgertest.Device
	before        []*event.Record // of the first laptop
	after         []*event.Record // of the second
}

func newBarn(t testing.TB) *barn {
	w := ledgertest.New(t)
	b := &barn{World: w, first: w.Device("first"), second: w.Device("second")}
	start := ledgertest.Start.Add(40 * time.Minute)
	at := func(min int) ledgertest.Option { return ledgertest.At(start.Add(time.Duration(min) * time.Minute)) }
	foal := opened("C1", "")
	foal.DamName, foal.DamKey, foal.Markings = "Quiet Harbour", "name:QUIET HARBOUR", "star"
	w.Pass(40 * time.Minute)
	for _, f := range []struct {
		min  int
		body proto.Message
	}{
		{-38, received("car")}, {-30, foal}, {-29, &pb.PatientWeighed{Case: "C1", WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}},
		{-20, thawed("car")}, {-1, &pb.SetAttached{Bag: "B1", Case: "C1"}}, {0, started("C1", "name:QUIET HARBOUR/", "car")},
		{1, &pb.RateSet{Case: "C1", MlPerH: 900, SlowStage: true, Bag: "B1"}}, {20, &pb.VitalsNoted{Case: "C1", GivenMl: proto.Int32(300)}},
	} {
		b.before = append(b.before, b.first.Write(f.body, at(f.min)))
	}
	w.Pass(30 * time.Minute)
	for _, f := range []struct {
		min  int
		body proto.Message
	}{
		{30, adopted("C1")}, {35, &pb.VitalsNoted{Case: "C1", GivenMl: proto.Int32(520)}},
		{60, &pb.TransfusionEnded{Case: "C1", Bag: "B1", GivenMl: 900, Patient: "name:QUIET HARBOUR/"}},
	} {
		b.after = append(b.after, b.second.Write(f.body, at(f.min)))
	}
	return b
}

func caseOf(t require.TestingT, records []*event.Record) *ledger.Case {
	c, ok := ledgertest.Fold(caseKey, records).(*ledger.Case)
	require.True(t, ok)
	return c
}

func bagOf(t require.TestingT, records []*event.Record) *ledger.Bag {
	b, ok := ledgertest.Fold(bagKey, records).(*ledger.Bag)
	require.True(t, ok)
	return b
}

// TestTheRunningSheetGoesOnFromACode: the second laptop has nothing but the code.
func TestTheRunningSheetGoesOnFromACode(t *testing.T) {
	b := newBarn(t)
	c := caseOf(t, b.after[:1])
	require.True(t, c.Running)
	require.Equal(t, "Quiet Harbour", c.Patient.DamName)
	require.Equal(t, "star", c.Patient.Markings)
	require.EqualValues(t, 52_500, c.Weights[0].WeightG)
	require.EqualValues(t, 300, c.PlasmaMl)
	require.EqualValues(t, 900, c.Rates[0].MlPerH)
	require.True(t, c.Rates[0].SlowStage)
	require.Len(t, c.Sets, 1)
	require.Equal(t, ledgertest.Start.Add(40*time.Minute).UnixMilli(), c.Transfusions[0].FirstMs())
	require.True(t, c.LastTold().ReactionSeen)
	require.Equal(t, b.second.ID(), c.Holder())
	bag := bagOf(t, b.after[:1])
	require.True(t, bag.Running())
	require.False(t, bag.InStock())
	require.Empty(t, bag.Discrepancies())

	c = caseOf(t, b.after[:2])
	require.EqualValues(t, 520, c.PlasmaMl, "the second laptop's own reading")
	c = caseOf(t, b.after)
	require.False(t, c.Running)
	require.EqualValues(t, 900, c.PlasmaMl)
	require.EqualValues(t, 900, bagOf(t, b.after).GivenMl)
}

// TestLawACodeMerges: whatever part of each laptop's records came, and in
// whatever order, nothing is there twice and nothing is doubted that is right; and
// with all of them the case is the one that one laptop would have written.
func TestLawACodeMerges(t *testing.T) {
	b := newBarn(t)
	all := slices.Concat(b.before, b.after)
	want := caseOf(t, all)
	require.Len(t, want.Transfusions, 1)
	require.Len(t, want.Transfusions[0].Starts, 1)
	require.Equal(t, b.before[5].Hash, want.Transfusions[0].Starts[0].Record, "the start itself, not the code's")
	require.Len(t, want.Weights, 1)
	require.Len(t, want.Rates, 1)
	require.Len(t, want.Sets, 1)
	require.Equal(t, b.before[1].Hash, want.Patient.Stamp.Record)
	require.EqualValues(t, 900, want.PlasmaMl)
	require.Equal(t, b.second.ID(), want.Holder())
	bag := bagOf(t, all)
	require.Len(t, bag.Uses, 1)
	require.Equal(t, "car", bag.Uses[0].Place)
	require.EqualValues(t, 900, bag.GivenMl)
	require.Empty(t, bag.Discrepancies())
	require.Equal(t, ledger.EndGiven, bag.Ended)

	testrun.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, len(b.before)).Draw(rt, "of the first")
		m := rapid.IntRange(1, len(b.after)).Draw(rt, "of the second")
		some := slices.Concat(b.before[:n], b.after[:m])
		some = append(rapid.Permutation(some).Draw(rt, "order"), some[0])
		c, bag := caseOf(rt, some), bagOf(rt, some)
		require.Len(rt, c.Transfusions, 1)
		require.Len(rt, c.Transfusions[0].Starts, 1)
		require.Len(rt, c.Rates, 1)
		require.Len(rt, c.Weights, 1)
		require.Len(rt, c.Sets, 1)
		require.NotNil(rt, c.Patient)
		require.EqualValues(rt, []int32{300, 520, 900}[m-1], c.PlasmaMl)
		require.Len(rt, bag.Uses, 1)
		require.Empty(rt, bag.Discrepancies())
		require.Empty(rt, c.Discrepancies())
	})
}

// TestTwoEndsOfACodeAreOne: both laptops enter the end. It is told, and counted
// once.
func TestTwoEndsOfACodeAreOne(t *testing.T) {
	b := newBarn(t)
	end := b.first.Write(&pb.TransfusionEnded{Case: "C1", Bag: "B1", GivenMl: 880, Patient: "name:QUIET HARBOUR/"})
	all := append(slices.Concat(b.before, b.after), end)
	bag := bagOf(t, all)
	require.EqualValues(t, 900, bag.GivenMl)
	require.EqualValues(t, 900, caseOf(t, all).PlasmaMl)
}

// TestWhatEarlierBagsGaveIsCounted until their records come.
func TestWhatEarlierBagsGaveIsCounted(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	early := []*event.Record{
		x.Write(&pb.TransfusionStarted{Case: "C1", Bag: "B0", Patient: "p"}),
		x.Write(usedBag("B0", 850)),
	}
	w.Pass(time.Hour)
	told := adopted("C1")
	told.GivenBeforeMl = 850
	taken := y.Write(told)
	c := caseOf(t, []*event.Record{taken})
	require.EqualValues(t, 1150, c.PlasmaMl)
	require.EqualValues(t, 850, c.UnseenMl)
	c = caseOf(t, append(early, taken))
	require.EqualValues(t, 1150, c.PlasmaMl)
	require.Zero(t, c.UnseenMl)
}

// TestWhoHasTheCase: the last one who took it over, also when it goes back.
func TestWhoHasTheCase(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Write(opened("C1", ""))
	require.Nil(t, foldCase(t, w).Holder())
	y.Write(&pb.CaseAdopted{Case: "C1", Way: pb.AdoptedBy_ADOPTED_BY_FILE, FromDevice: x.ID()})
	require.Equal(t, y.ID(), foldCase(t, w).Holder())
	require.False(t, foldCase(t, w).Running, "a file brings the records; nothing stands in")
	w.Pass(time.Minute)
	x.Write(&pb.CaseAdopted{Case: "C1"})
	require.Equal(t, x.ID(), foldCase(t, w).Holder())
}
