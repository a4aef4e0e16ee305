package plans_test

import (
	"context"
	"math"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"thawtrail/internal/plans"
	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// goodRequests are answered; what is asked of the plans is these with some fields
// spoiled.
var goodRequests = map[string][]proto.Message{
	"Weigh":  {&pb.WeighRequest{Kind: "foal", GirthCm: new(84.0), AgeH: new(20.0)}, &pb.WeighRequest{Kind: "adult", GirthCm: new(180.0), LengthCm: new(155.0)}},
	"Assess": {&pb.AssessRequest{AgeH: new(9.0), IggGPerL: new(3.5), Sign: []string{"weak", "cold"}, TemperatureC: new(36.0), GlucoseMmolPerL: new(3.0), Isoerythrolysis: "no"}, &pb.AssessRequest{AgeH: new(20.0), IggBand: "3,5\u20134.5"}},
	"Test":   {&pb.TestRequest{Sensitivity: new(0.9), Specificity: new(0.8), Result: "below", Prevalence: new(0.2), CutGPerL: new(4.0)}, &pb.TestRequest{Kind: "digital_brix", CutGPerL: new(8.0), Result: "above", Prevalence: new(0.3)}},
	"Dose": {&pb.DoseRequest{WeightKg: new(50.0), WeightLowKg: new(45.0), WeightHighKg: new(55.0), IggGPerL: new(3.5), TargetGPerL: new(8.0), DonorIggGPerL: new(18.0), AgeH: new(20.0), BagMl: new(950.0),
		DistributionMlPerKg: new(90.0), ShareFound: new(0.7), Given_24HMl: new(100.0), Bags: new(int32(2)), CeilingMlPerKg_24H: new(30.0)},
		&pb.DoseRequest{WeightKg: new(50.0), IggMgPerDl: new(350.0)}, &pb.DoseRequest{WeightKg: new(50.0), IggUnknown: true, BagMl: new(950.0)},
		&pb.DoseRequest{WeightKg: new(50.0), IggGPerL: new(3.5), Bag: []string{"950@18", "900"}, LabelIggGPerL: new(12.0), OtherFluids_24HMl: new(500.0)},
		&pb.DoseRequest{WeightKg: new(500.0), Indication: "low_protein", MlPerKg: new(10.0), Reason: "colitis"}},
	"Response": {&pb.ResponseRequest{WeightKg: new(50.0), IggBeforeGPerL: new(3.5), IggAfterGPerL: new(7.4), GivenMl: new(1900.0), DonorIggGPerL: new(18.0), AgeH: new(20.0)}},
	"Protein":  {&pb.ProteinRequest{WeightKg: new(500.0), TpGPerL: new(40.0), TargetTpGPerL: new(50.0), DonorTpGPerL: new(70.0), SpaceFactor: new(2.0)}},
	"Thaw": {&pb.ThawRequest{HeldAtC: new(37.0), BagThicknessMm: new(40.0), HWPerM2K: new(150.0), Recorded: []string{"40=52"}},
		&pb.ThawRequest{BagMl: new(950.0), Bags: new(int32(2)), BagTempC: new(-20.0), WaterL: new(15.0), WaterTempC: new(37.0), AirC: new(8.0), HotC: new(60.0), EndAtC: new(33.0)}},
	"Drip": {&pb.DripRequest{VolumeMl: new(950.0), WeightKg: new(50.0), PlateauMlPerKgPerH: new(20.0), DropsPerMl: new(15.0), CeilingMlPerKgPerH: new(20.0), StartMlPerKg: new(0.4), StartMin: new(20.0), LabelMlPerKgPerH: new(15.0)}, &pb.DripRequest{VolumeMl: new(950.0), Minutes: new(120.0), NoSlowStart: true}},
	"End":  {&pb.EndRequest{VolumeMl: new(950.0), WeightKg: new(50.0), Noted: []string{"02:10=150", "02:30=430"}}},
	"Flow": {&pb.FlowRequest{CatheterGauge: new(16.0), CatheterLengthMm: new(130.0), TubeMm: new(3.0), TubeM: new(1.5), HeadCm: new(100.0), VenousCmh2O: new(12.0), PlasmaTempC: new(37.0), KLoss: new(1.5), VolumeMl: new(950.0), WeightKg: new(50.0)}},
	"Shelf": {&pb.ShelfRequest{Expiry: "2028-03", ThawedAt: "2026-11-24T02:10:00Z", SetAttachedAt: "2026-11-24T02:20:00Z", KeptAtC: new(4.0), At: "2026-11-24T03:00:00Z", Zone: "Europe/Dublin", CardUseByHours: new(12.0)},
		&pb.ShelfRequest{Expiry: "2028-03", Held: true, Warm: []string{"40@-6", "3@4/soft"}}},
	"Mkt": {&pb.MktRequest{Celsius: []float64{20, 25, 30}, DhOverRK: new(10000.0)}},
	"Pick": {&pb.PickRequest{NeedMl: new(1400.0), Place: "car", Stock: []*pb.StockBag{
		{Id: "a", VolumeMl: 950, UseBy: "2027-01-01T00:00:00Z", State: "frozen", Place: "car", Batch: "x"}, {Id: "b", VolumeMl: 500, UseBy: "2026-11-24T20:00:00Z", State: "thawed", Distance: new(int32(2))},
		{Id: "c", VolumeMl: 950, UseBy: "2027-02-01T00:00:00Z", State: "on_hold", Reacted: true}}}},
	"Interval": {&pb.IntervalRequest{Events: new(int32(6)), Trials: new(int32(69)), Confidence: new(0.95)}},
	"Exact":    {&pb.ExactRequest{A: new(int32(3)), B: new(int32(1)), C: new(int32(1)), D: new(int32(3))}},
	"Demand":   {&pb.DemandRequest{Foals: new(int32(40)), FailureRate: new(0.16), Service: new(0.95)}, &pb.DemandRequest{Mean: new(4.0), Service: new(0.8)}},
}

// spoiledTexts are for any text field.
var spoiledTexts = []string{"", "adult", "2028-03", "2026-11-24T05:00:00Z", "25:00", "8-4", "above", "Local", "02:10=", "=", "0=0", "1e9@9", "yes", "colic", "frozen", "x", "\x00", "-"}

// spoil changes about a fifth of the fields, deep in lists too.
func spoil(t *rapid.T, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.IsList() && f.Kind() == protoreflect.MessageKind {
			for k := range m.Get(f).List().Len() {
				spoil(t, m.Mutable(f).List().Get(k).Message())
			}
			continue
		}
		if rapid.IntRange(0, 4).Draw(t, "spoil") > 0 || f.Kind() == protoreflect.MessageKind {
			continue
		}
		switch {
		case rapid.IntRange(0, 3).Draw(t, "clear") == 0:
			m.Clear(f)
		case f.IsList():
			m.Mutable(f).List().Append(spoiledValue(t, f, protoreflect.Value{}))
		default:
			m.Set(f, spoiledValue(t, f, m.Get(f)))
		}
	}
}

func spoiledValue(t *rapid.T, f protoreflect.FieldDescriptor, was protoreflect.Value) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(!was.IsValid() || !was.Bool())
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(rapid.OneOf(rapid.Int32(), rapid.Int32Range(-1, 70)).Draw(t, "int"))
	case protoreflect.DoubleKind:
		if was.IsValid() && was.Float() != 0 && rapid.Bool().Draw(t, "near") {
			return protoreflect.ValueOfFloat64(was.Float() * rapid.SampledFrom([]float64{-1, 0, 0.01, 0.5, 0.9, 1.1, 2, 10, 100}).Draw(t, "times"))
		}
		return protoreflect.ValueOfFloat64(rapid.OneOf(rapid.Float64(), rapid.Float64Range(-50, 3000), rapid.SampledFrom([]float64{
			0, 1, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, math.SmallestNonzeroFloat64, math.Copysign(0, -1), 1e9,
		})).Draw(t, "number"))
	}
	return protoreflect.ValueOfString(rapid.OneOf(rapid.SampledFrom(spoiledTexts), plainTexts).Draw(t, "text"))
}

// plainTexts are what an answer may repeat without looking like a bad number.
var plainTexts = rapid.String().Filter(func(s string) bool { return !badNumber.MatchString(s) })

// badNumber finds what no answer may hold: a number that is none, or a line of
// arithmetic whose numbers were not filled in.
var badNumber = regexp.MustCompile(`\bNaN\b|[+-]?\bInf\b|Infinity|%!`)

// callPlan calls a method as the network would.
func callPlan(p *plans.Plans, name string, req proto.Message) (proto.Message, error) {
	for _, m := range pb.PlanService_ServiceDesc.Methods {
		if m.MethodName == name {
			answer, err := m.Handler(p, context.Background(), func(to any) error { proto.Merge(to.(proto.Message), req); return nil }, nil)
			if err != nil {
				return nil, err
			}
			return answer.(proto.Message), nil
		}
	}
	panic("no plan " + name)
}

// TestNoRequestMakesAPlanFail asks every plan nearly anything: it answers with
// numbers, or it refuses with a field.
func TestNoRequestMakesAPlanFail(t *testing.T) {
	for _, m := range pb.PlanService_ServiceDesc.Methods {
		t.Run(m.MethodName, func(t *testing.T) {
			require.NotEmpty(t, goodRequests[m.MethodName], "add a good request")
			for _, good := range goodRequests[m.MethodName] {
				_, err := callPlan(newPlans(), m.MethodName, good)
				require.NoError(t, err, "%v", good)
			}
			testrun.Check(t, func(t *rapid.T) {
				req := proto.Clone(rapid.SampledFrom(goodRequests[m.MethodName]).Draw(t, "good"))
				spoil(t, req.ProtoReflect())
				answer, err := callPlan(newPlans(), m.MethodName, req)
				if err != nil {
					r, ok := refusal.As(err)
					require.True(t, ok, "%v", err)
					require.NotEmpty(t, r.Field)
					require.NotEmpty(t, r.Want)
					require.LessOrEqual(t, len(r.Error()), 2000)
					return
				}
				text, err := protojson.Marshal(answer)
				require.NoError(t, err)
				require.False(t, badNumber.Match(text), "%s of %v", text, req)
			})
		})
	}
}
