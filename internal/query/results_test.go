package query_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// foalNight is one foal's night as it truly was.
type foalNight struct {
	batch         string
	reacted       bool
	named         bool   // the reaction named its bag
	before, after *int32 // IgG in 0.01 g/L
	died          bool
}

// typeNight enters a night and gives the case.
func typeNight(d *entrytest.Laptop, n int, bag string, f foalNight) string {
	opened := d.Must(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: fmt.Sprintf("Mare %d", n), Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "none",
		ClockChecked: true, BornAt: &pb.Moment{UnixMs: d.Clock.Now().Add(-14 * time.Hour).UnixMilli()},
	})
	id := opened.Made[0]
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	if f.before != nil {
		d.Must(&pb.IggTested{Case: id, Kind: "radial immunodiffusion", IggCgPerL: f.before})
	}
	d.Must(&pb.ThawStarted{Bag: bag, Case: id, BathDc: proto.Int32(370)})
	d.Clock.Advance(41 * time.Minute)
	d.Must(&pb.BagThawed{Bag: bag})
	d.Ready(id, bag)
	d.Clock.Advance(time.Minute)
	d.Must(&pb.TransfusionStarted{Bag: bag, Case: id})
	d.Clock.Advance(30 * time.Minute)
	if f.reacted {
		r := &pb.ReactionNoted{Case: id, Signs: []string{"shivering"}}
		if f.named {
			r.Bag = bag
		}
		d.Must(r)
	}
	d.Clock.Advance(90 * time.Minute)
	d.Must(&pb.TransfusionEnded{Bag: bag, Case: id, GivenMl: 950})
	d.Clock.Advance(22 * time.Hour)
	if f.after != nil {
		_, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Named("igg_rechecked", &pb.IggTested{Case: id, Kind: "radial immunodiffusion", IggCgPerL: f.after})})
		require.NoError(d.T, err)
	}
	outcome := pb.Outcome_OUTCOME_WELL
	if f.died {
		outcome = pb.Outcome_OUTCOME_DIED
	}
	d.Must(&pb.CaseClosed{Case: id, Outcome: outcome, Reason: "seen"})
	return id
}

// A season of two batches, counted beside the program by hand: nine foals had the
// first, of which three reacted, eleven the second, of which none did.
func TestResultsOfASeason(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	igg := func(gPerL float64) *int32 { return new(int32(math.Round(gPerL * 100))) }
	received := map[string][]string{}
	for _, batch := range []string{"K-11", "K-12"} {
		received[batch] = d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: batch, Expiry: "2028-03", VolumeMl: 950, Count: 11, Place: "north car", IggCgPerL: proto.Int32(2000)}).Made
	}
	reacted := map[string]bool{}
	for n := range 20 {
		f := foalNight{batch: "K-12", before: igg(3), after: igg(9)}
		if n < 9 {
			f = foalNight{batch: "K-11", reacted: n < 3, named: n < 2, before: igg(2), after: igg(5), died: n == 8}
		}
		switch n {
		case 7:
			f.after = nil
		case 10:
			f.before = nil
		}
		bags := received[f.batch]
		id := typeNight(d, n, bags[0], f)
		received[f.batch] = bags[1:]
		reacted[id] = f.reacted
	}

	by, err := d.ListReactions(t.Context(), &pb.ListReactionsRequest{By: "batch"})
	require.NoError(t, err)
	require.Len(t, by.Rows, 2)
	first, second := by.Rows[0], by.Rows[1]
	require.Equal(t, []int32{3, 9, 0, 11}, []int32{first.Events, first.Trials, second.Events, second.Trials})
	require.Equal(t, "Foal plasma, K-11", first.Group)
	// Exact interval of 3 of 9 (Clopper and Pearson), and Fisher's test of [[3 6][0 11]]
	// by hand: C(9,3)/C(20,3) = 84/1140, which no other table but its like reaches.
	require.InDelta(t, 0.0749, first.Low, 1e-4)
	require.InDelta(t, 0.7007, first.High, 1e-4)
	require.InDelta(t, 84.0/1140, first.GetPTwoSided(), 1e-9)
	require.Len(t, first.Cases, 3)
	for _, id := range first.Cases {
		require.True(t, reacted[id])
	}
	require.Equal(t, "seen 3 of 9; by chance alone at the usual 6 of 107 this would be seen about 1 time in 87", first.Text)
	require.Equal(t, int32(2), by.Looks)
	require.Equal(t, int32(20), by.Chart.Transfusions)
	require.Empty(t, by.Chart.Signals, "three at once are not yet a signal where one comes by chance in 502 transfusions")
	require.InDelta(t, 3*(1-by.Chart.Reference), by.Chart.Sums[2], 1e-9)
	require.Greater(t, by.Chart.RunLengthUsual, by.Chart.RunLengthRaised)

	one, err := d.ListReactions(t.Context(), &pb.ListReactionsRequest{By: "product"})
	require.NoError(t, err)
	require.Len(t, one.Rows, 1)
	require.Nil(t, one.Rows[0].PTwoSided, "there is nothing to compare with")
	for _, way := range []string{"donor", "rate", "age"} {
		all, err := d.ListReactions(t.Context(), &pb.ListReactionsRequest{By: way})
		require.NoError(t, err)
		require.Equal(t, int32(20), all.Rows[0].Trials, "%s: %v", way, all.Rows)
	}
	_, err = d.ListReactions(t.Context(), &pb.ListReactionsRequest{By: "colour"})
	require.ErrorContains(t, err, "batch, product, donor, rate, age")
	none, err := d.ListReactions(t.Context(), &pb.ListReactionsRequest{By: "batch", From: "2020-01"})
	require.NoError(t, err)
	require.Empty(t, none.Rows)

	what, err := d.ListResponses(t.Context(), &pb.ListResponsesRequest{By: "batch"})
	require.NoError(t, err)
	require.Len(t, what.Rows, 2)
	a, b := what.Rows[0], what.Rows[1]
	require.Equal(t, []int32{9, 8, 8, 1, 1}, []int32{a.N, a.Measured, a.Failed, a.NotRechecked, a.Died})
	require.Equal(t, []int32{11, 10, 0, 0, 0}, []int32{b.N, b.Measured, b.Failed, b.NotRechecked, b.Died})
	// 19 g of IgG were given (20 g/L x 0.95 L); a rise of 3 g/L in 94.5 mL/kg x 50 kg is
	// 14.2 g found.
	require.InDelta(t, 3*0.0945*50/19, a.ShareFound.Mid, 1e-9)
	require.InDelta(t, 6*0.0945*50/19, b.ShareFound.Mid, 1e-9)
	require.NotNil(t, a.MedianLow)
	require.InDelta(t, 3, a.RiseGPerL, 1e-9)
}
