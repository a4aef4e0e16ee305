package plans_test

import (
	"context"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/engine"
	"thawtrail/internal/plans"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

var ctx = context.Background()

func newPlans() *plans.Plans {
	return &plans.Plans{Now: func() time.Time { return time.Date(2026, 11, 24, 3, 0, 0, 0, time.UTC) }}
}

// requireRefused checks the field of a refusal.
func requireRefused(t *testing.T, err error, field string) {
	t.Helper()
	r, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, field, r.Field)
}

func TestDoseCarriesWhatTheEngineSays(t *testing.T) {
	got, err := newPlans().Dose(ctx, &pb.DoseRequest{
		WeightKg: new(50.0), WeightLowKg: new(45.0), WeightHighKg: new(55.0), IggBand: "3,5\u20134.5",
		DonorIggGPerL: new(18.0), AgeH: new(20.0), BagMl: new(950.0), ShareFound: new(1.0), Given_24HMl: new(100.0), Bags: new(int32(2)),
	})
	require.NoError(t, err)
	want, err := engine.Dose(engine.DoseInput{
		WeightKg: engine.Range{Low: 45, Mid: 50, High: 55}, IgGReading: engine.IgGReading{IgGBand: &engine.Band{Low: 3.5, High: 4.5}},
		DonorIgGGPerL: new(engine.Exactly(18)), AgeH: new(20.0), BagMl: new(950.0), ShareFound: new(engine.Exactly(1)),
		Given24hMl: new(100.0), Bags: new(2),
	})
	require.NoError(t, err)
	for _, pair := range []struct {
		want engine.Range
		got  *pb.Span
	}{
		{want.IgGLackingG, got.IggLackingG}, {want.VolumeMl, got.VolumeMl}, {want.VolumeMlPerKg, got.VolumeMlPerKg},
		{*want.ExpectedRiseGPerL, got.ExpectedRiseGPerL}, {*want.ExpectedIgGGPerL, got.ExpectedIggGPerL},
	} {
		require.Equal(t, [3]float64{pair.want.Low, pair.want.Mid, pair.want.High}, [3]float64{pair.got.Low, pair.got.Mid, pair.got.High})
	}
	require.EqualValues(t, want.Bags.BagsNow, got.GetBagsNow())
	require.EqualValues(t, want.Bags.BagsTotal, got.GetBagsTotal())
	require.Equal(t, want.CeilingMl, got.GetCeilingMl())
	require.Equal(t, want.DistributionMlPerKg, got.GetDistributionMlPerKg())
	for _, pair := range []struct {
		want *engine.BagOutcome
		got  *pb.BagOutcome
	}{{&want.Bags.Now, got.Bags.Now}, {&want.Bags.Total, got.Bags.Total}, {want.Bags.OneFewer, got.Bags.OneFewer}, {want.Bags.Asked, got.Bags.Asked}} {
		require.EqualValues(t, pair.want.Bags, pair.got.Bags)
		require.Equal(t, pair.want.VolumeMl, pair.got.VolumeMl)
		require.Equal(t, pair.want.ExpectedIgGGPerL.Low, pair.got.ExpectedIggGPerL.Low)
	}
	require.Equal(t, want.Steps, got.Steps)
	require.Equal(t, want.Sources, got.Sources)
	require.Len(t, got.Cautions, len(want.Cautions))
}

func TestDoseOfListedBags(t *testing.T) {
	got, err := newPlans().Dose(ctx, &pb.DoseRequest{WeightKg: new(50.0), IggGPerL: new(2.0), AgeH: new(20.0), Bag: []string{"950@18", "1000 @ 12,5"}})
	require.NoError(t, err)
	want, err := engine.Dose(engine.DoseInput{WeightKg: engine.Exactly(50), IgGReading: engine.IgGReading{IgGGPerL: new(2.0)}, AgeH: new(20.0),
		Chosen: []engine.DoseBag{{VolumeMl: 950, IgGGPerL: new(18.0)}, {VolumeMl: 1000, IgGGPerL: new(12.5)}}})
	require.NoError(t, err)
	require.Equal(t, want.VolumeMl.Mid, got.VolumeMl.Mid)
	require.Equal(t, want.GiveNowMl, got.GetGiveNowMl())
	require.Equal(t, want.Now, got.Now)
}

func TestPlansNeedTheirInputs(t *testing.T) {
	p := newPlans()
	for field, err := range map[string]error{
		"weight_kg":  errorOf(p.Dose(ctx, &pb.DoseRequest{})),
		"igg_band":   errorOf(p.Dose(ctx, &pb.DoseRequest{WeightKg: new(50.0), IggBand: "4"})),
		"bag":        errorOf(p.Dose(ctx, &pb.DoseRequest{WeightKg: new(50.0), IggGPerL: new(3.0), Bag: []string{"950@"}})),
		"girth_cm":   errorOf(p.Weigh(ctx, &pb.WeighRequest{Kind: "foal"})),
		"given_ml":   errorOf(p.Response(ctx, &pb.ResponseRequest{WeightKg: new(50.0), IggBeforeGPerL: new(0.0), IggAfterGPerL: new(4.0)})),
		"tp_g_per_l": errorOf(p.Protein(ctx, &pb.ProteinRequest{WeightKg: new(500.0)})),
		"volume_ml":  errorOf(p.Drip(ctx, &pb.DripRequest{})),
		"kind":       errorOf(p.Drip(ctx, &pb.DripRequest{VolumeMl: new(950.0), Kind: "calf"})),
		"zone":       errorOf(p.Shelf(ctx, &pb.ShelfRequest{Expiry: "2028-03", Zone: "Local"})),
		"thawed_at":  errorOf(p.Shelf(ctx, &pb.ShelfRequest{Expiry: "2028-03", ThawedAt: "25:00"})),
		"trials":     errorOf(p.Interval(ctx, &pb.IntervalRequest{Events: new(int32(1))})),
		"d":          errorOf(p.Exact(ctx, &pb.ExactRequest{A: new(int32(1)), B: new(int32(1)), C: new(int32(1))})),
		"foals":      errorOf(p.Demand(ctx, &pb.DemandRequest{FailureRate: new(0.1)})),
		"need_ml":    errorOf(p.Pick(ctx, &pb.PickRequest{NeedMl: new(1.9)})),
		"bags[0].volume_ml": errorOf(p.Pick(ctx, &pb.PickRequest{NeedMl: new(900.0), Stock: []*pb.StockBag{
			{Id: "a", VolumeMl: 950.5, UseBy: "2027-01-01T00:00:00Z", State: "frozen"},
		}})),
		"noted":             errorOf(p.End(ctx, &pb.EndRequest{VolumeMl: new(950.0), Noted: []string{"02:10"}})),
		"notes":             errorOf(p.End(ctx, &pb.EndRequest{VolumeMl: new(950.0), Noted: []string{"02:10=150"}})),
		"recorded":          errorOf(p.Thaw(ctx, &pb.ThawRequest{HeldAtC: new(37.0), Recorded: []string{"40"}})),
		"warm":              errorOf(p.Shelf(ctx, &pb.ShelfRequest{Warm: []string{"40@warm"}})),
		"mean":              errorOf(p.Demand(ctx, &pb.DemandRequest{Mean: new(4.0), Foals: new(int32(3))})),
		"share_found":       errorOf(p.Dose(ctx, &pb.DoseRequest{WeightKg: new(50.0), IggGPerL: new(3.0), ShareFoundLow: new(0.4)})),
		"isoerythrolysis":   errorOf(p.Assess(ctx, &pb.AssessRequest{AgeH: new(14.0), IggGPerL: new(3.0), Isoerythrolysis: "maybe"})),
		"glucose_mg_per_dl": errorOf(p.Assess(ctx, &pb.AssessRequest{AgeH: new(14.0), IggGPerL: new(3.0), GlucoseMgPerDl: new(4.2)})),
		"stock":             errorOf(p.Pick(ctx, &pb.PickRequest{NeedMl: new(900.0), Stock: make([]*pb.StockBag, engine.MaxPickBags+1)})),
	} {
		requireRefused(t, err, field)
	}
}

func errorOf[T any](_ T, err error) error { return err }

func TestShelfKeepsTheOffsetOfItsTimes(t *testing.T) {
	got, err := newPlans().Shelf(ctx, &pb.ShelfRequest{
		Expiry: "2028-03", ThawedAt: "2026-03-07T20:00:00-05:00", KeptAtC: new(4.0),
		At: "2026-03-07T21:00:00-05:00", Zone: "America/New_York",
	})
	require.NoError(t, err)
	require.Equal(t, "thawed", got.State)
	require.Equal(t, []string{"thawed"}, got.States)
	// The clocks go forward that night: 24 h later it is an hour later on them.
	require.Equal(t, "2026-03-08T21:00:00-04:00", got.UseBy)
	got, err = newPlans().Shelf(ctx, &pb.ShelfRequest{Expiry: "2028-03", Held: true, RefrozenAt: "02:00"})
	require.NoError(t, err)
	require.Equal(t, []string{"unfit", "on_hold"}, got.States[:2])
}

func TestDripLeavesOutDropsThatNobodyCanCount(t *testing.T) {
	got, err := newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(950.0), WeightKg: new(50.0), PlateauMlPerKgPerH: new(20.0), Reason: "shock"})
	require.NoError(t, err)
	require.Nil(t, got.AverageDropsPerMin)
	require.Nil(t, got.DropsPerMinTolerance)
	require.Nil(t, got.Stages[0].DropsPerMin)
	require.Contains(t, got.Steps, "reason given: shock")
	got, err = newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(950.0), WeightKg: new(50.0), PlateauMlPerKgPerH: new(20.0), DropsPerMl: new(15.0)})
	require.NoError(t, err)
	require.InDelta(t, got.GetAverageMlPerH()/60*15, got.GetAverageDropsPerMin(), 1e-9)
	require.Equal(t, got.GetAverageDropsPerMin(), got.DropsPerMinTolerance.Mid)
}

func TestDripWithoutAWeightHasNoRatePerKg(t *testing.T) {
	got, err := newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(500.0), Minutes: new(120.0)})
	require.NoError(t, err)
	require.Nil(t, got.PlateauMlPerKgPerH)
	require.Nil(t, got.AverageMlPerKgPerH)
	require.Nil(t, got.Stages[0].MlPerKgPerH)
	require.Equal(t, "drip_without_weight", got.Cautions[0].Code)
	requireRefused(t, errorOf(newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(950.0), Minutes: new(60.0)})), "weight_kg")
	adult, err := newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(4000.0), WeightKg: new(500.0), PlateauMlPerKgPerH: new(10.0)})
	require.NoError(t, err)
	require.Equal(t, "adult_slow_start_taken", adult.Cautions[0].Code)
	foal, err := newPlans().Drip(ctx, &pb.DripRequest{VolumeMl: new(4000.0), WeightKg: new(150.0), PlateauMlPerKgPerH: new(10.0), Kind: "foal"})
	require.NoError(t, err)
	require.Empty(t, foal.Cautions)
}

func TestPickPassesWasteAndRunnerUp(t *testing.T) {
	bag := func(id string, ml float64) *pb.StockBag {
		return &pb.StockBag{Id: id, VolumeMl: ml, UseBy: "2027-01-01T00:00:00Z", State: "frozen", Place: "car"}
	}
	got, err := newPlans().Pick(ctx, &pb.PickRequest{NeedMl: new(899.5), Place: "car", Stock: []*pb.StockBag{bag("a", 1000), bag("b", 950)}})
	require.NoError(t, err)
	require.Equal(t, []string{"a"}, got.RunnerUp)
	require.Equal(t, []string{"b"}, got.Bags)
	require.Equal(t, 50.0, got.WasteMl)
}

func TestListsOfSignsAndKinds(t *testing.T) {
	signs, err := newPlans().Assess(ctx, &pb.AssessRequest{Signs: true})
	require.NoError(t, err)
	require.Len(t, signs.KnownSigns, len(engine.Signs()))
	kinds, err := newPlans().Test(ctx, &pb.TestRequest{Kinds: true})
	require.NoError(t, err)
	for _, kind := range kinds.KnownKinds {
		require.Equal(t, 1, strings.Count(" "+strings.Join(kinds.KnownKinds, " ")+" ", " "+kind+" "), "%s twice", kind)
	}
}

// TestEveryResultHasItsField holds the engine's results against the contract: a
// field added to one and not to the other fails here.
func TestEveryResultHasItsField(t *testing.T) {
	for _, pair := range []struct {
		result any
		answer proto.Message
	}{
		{engine.WeighResult{}, &pb.WeighResponse{}}, {engine.AssessResult{}, &pb.AssessResponse{}},
		{engine.StallTestResult{}, &pb.TestResponse{}}, {engine.DoseResult{}, &pb.DoseResponse{}},
		{engine.ResponseResult{}, &pb.ResponseResponse{}}, {engine.ProteinResult{}, &pb.ProteinResponse{}},
		{engine.ThawResult{}, &pb.ThawResponse{}}, {engine.DripResult{}, &pb.DripResponse{}},
		{engine.ShelfResult{}, &pb.ShelfResponse{}}, {engine.PickResult{}, &pb.PickResponse{}},
		{engine.IntervalResult{}, &pb.IntervalResponse{}}, {engine.ExactResult{}, &pb.ExactResponse{}},
		{engine.DemandResult{}, &pb.DemandResponse{}}, {engine.FlowResult{}, &pb.FlowResponse{}},
		{engine.MktResult{}, &pb.MktResponse{}}, {engine.DripStage{}, &pb.DripStage{}},
		{engine.DripMark{}, &pb.DripMark{}}, {engine.BagOutcome{}, &pb.BagOutcome{}}, {engine.PickExcluded{}, &pb.PickExcluded{}},
		{engine.ThawLearned{}, &pb.ThawLearned{}}, {engine.StallTestKind{}, &pb.PublishedTest{}}, {engine.PredictEndResult{}, &pb.EndResponse{}},
	} {
		typ := reflect.TypeOf(pair.result)
		for i := range typ.NumField() {
			name := typ.Field(i).Name
			if name == "Basis" {
				continue
			}
			require.True(t, hasField(pair.answer.ProtoReflect().Descriptor(), name), "%s.%s is dropped", typ.Name(), name)
		}
	}
}

func hasField(d protoreflect.MessageDescriptor, goName string) bool {
	for i := range d.Fields().Len() {
		plain := strings.ReplaceAll(string(d.Fields().Get(i).Name()), "_", "")
		if strings.EqualFold(plain, goName) {
			return true
		}
	}
	return false
}

func TestADistanceOfNoughtIsNotAnAbsentOne(t *testing.T) {
	bag := func(id string, distance *int32) *pb.StockBag {
		return &pb.StockBag{Id: id, VolumeMl: 950, UseBy: "2027-01-01T00:00:00Z", State: "frozen", Place: "clinic", Distance: distance}
	}
	got, err := newPlans().Pick(ctx, &pb.PickRequest{NeedMl: new(900.0), Stock: []*pb.StockBag{bag("a", nil), bag("b", new(int32(0)))}})
	require.NoError(t, err)
	require.Equal(t, []string{"b"}, got.Bags, "absent is 1, nought is at hand")
}

func TestPicksSayWhatWasLeftOut(t *testing.T) {
	got, err := newPlans().Pick(ctx, &pb.PickRequest{NeedMl: new(900.0), Stock: []*pb.StockBag{{Id: "a", VolumeMl: 950, UseBy: "2027-01-01T00:00:00Z", State: "on_hold"}}})
	require.NoError(t, err)
	require.Equal(t, 900.0, got.ShortMl)
	require.Equal(t, "on hold", got.Excluded[0].Because)
	schema, err := newPlans().Pick(ctx, &pb.PickRequest{Schema: true})
	require.NoError(t, err)
	require.Equal(t, engine.PickSchema, schema.Schema)
}

func TestEndOfARunningBag(t *testing.T) {
	got, err := newPlans().End(ctx, &pb.EndRequest{VolumeMl: new(950.0), WeightKg: new(50.0), Noted: []string{"02:10=150", "02:30 = 430"}})
	require.NoError(t, err)
	require.Equal(t, 840.0, got.MlPerH) // 280 mL in 20 min
	require.Equal(t, "2026-11-24T03:07:08Z", got.EndAt)
	require.Less(t, got.Early, got.EndAt)
	require.Greater(t, got.Late, got.EndAt)
	// Without a zone the times are those of the laptop's own clock: in Sydney it is
	// 14:00, and 13:50 is ten minutes ago.
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	local := &plans.Plans{Now: func() time.Time { return newPlans().Now().In(sydney) }}
	got, err = local.End(ctx, &pb.EndRequest{VolumeMl: new(950.0), Noted: []string{"13:30=150", "13:50=430"}})
	require.NoError(t, err)
	require.Equal(t, "2026-11-24T14:27:08+11:00", got.EndAt)
	stopped, err := newPlans().End(ctx, &pb.EndRequest{VolumeMl: new(950.0), Noted: []string{"02:10=150", "02:30=150"}})
	require.NoError(t, err)
	require.Empty(t, stopped.EndAt)
	require.Equal(t, "drip_not_running", stopped.Cautions[0].Code)
}

func TestOwnThawsMoveTheMiddle(t *testing.T) {
	ask := &pb.ThawRequest{HeldAtC: new(37.0), BagThicknessMm: new(40.0)}
	plain, err := newPlans().Thaw(ctx, ask)
	require.NoError(t, err)
	require.Nil(t, plain.Learned)
	ask.Recorded = []string{"40=60", "40 = 58,5", "38=57"}
	own, err := newPlans().Thaw(ctx, ask)
	require.NoError(t, err)
	require.EqualValues(t, 3, own.Learned.N)
	require.InDelta(t, plain.ThawMinutes.Mid*own.Learned.Factor, own.ThawMinutes.Mid, 1e-9)
}

func TestWarmFreezerQuarantines(t *testing.T) {
	got, err := newPlans().Shelf(ctx, &pb.ShelfRequest{Expiry: "2028-03", Warm: []string{"40@-6"}})
	require.NoError(t, err)
	require.Equal(t, []string{"quarantined", "frozen"}, got.States)
	require.Equal(t, "exempt", got.SourcePlasmaClass)
	got, err = newPlans().Shelf(ctx, &pb.ShelfRequest{Expiry: "2028-03", Warm: []string{"3@4/soft"}})
	require.NoError(t, err)
	require.Equal(t, []string{"quarantined", "thawed"}, got.States)
	require.Equal(t, "salvaged", got.SourcePlasmaClass)
}

func TestDemandOfAMean(t *testing.T) {
	got, err := newPlans().Demand(ctx, &pb.DemandRequest{Mean: new(4.0), Service: new(0.8)})
	require.NoError(t, err)
	require.EqualValues(t, 6, got.FoalsCovered)
	require.InDelta(t, 0.19543, got.GetExpectedShort(), 1e-4)
}

func TestIndicationsAreListed(t *testing.T) {
	got, err := newPlans().Dose(ctx, &pb.DoseRequest{Indications: true})
	require.NoError(t, err)
	require.Len(t, got.Indications, len(engine.Indications()))
	require.Equal(t, 20.0, got.Indications[0].GetLowMlPerKg())
	require.Nil(t, got.Indications[0].LowMl)
	require.Nil(t, got.IggLackingG)
}
