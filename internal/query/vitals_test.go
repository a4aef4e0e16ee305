package query_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// running is a foal of 50 kg in which a bag runs slowly.
func running(t *testing.T) (d *entrytest.Laptop, id string) {
	d = entrytest.New(t)
	bags := d.Begin()
	id = d.Foal()
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	look(d, id, 382, 96, 34, true)
	d.Clock.Advance(time.Minute)
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.Must(&pb.RateSet{Case: id, MlPerH: 75, SlowStage: true})
	return d, id
}

// look notes vitals; zero was not measured.
func look(d *entrytest.Laptop, id string, dc, heart, breaths int32, baseline bool) *pb.WriteResponse {
	d.Clock.Advance(5 * time.Minute)
	of := func(v int32) *int32 {
		if v == 0 {
			return nil
		}
		return &v
	}
	return d.Must(&pb.VitalsNoted{Case: id, TemperatureDc: of(dc), HeartRate: of(heart), BreathingRate: of(breaths), Baseline: baseline, GivenMl: proto.Int32(10)})
}

func sheetOf(d *entrytest.Laptop, id string) *pb.GetCaseResponse {
	d.T.Helper()
	out, err := d.GetCase(d.T.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(d.T, err)
	return out
}

// stepUp tries a rate and gives the refusal; empty when it was allowed.
func stepUp(d *entrytest.Laptop, id string) string {
	d.T.Helper()
	_, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.RateSet{Case: id, MlPerH: 500})})
	if ref, ok := refusal.As(err); ok {
		return ref.Error()
	}
	require.NoError(d.T, err)
	return ""
}

// An alarm of a sign stands until that sign is measured again within its limit; a fall
// alarms too; the answer, the sheet and the next step say so.
func TestAnAlarmStandsUntilItsSignIsWithinLimits(t *testing.T) {
	d, id := running(t)
	out := look(d, id, 393, 96, 34, false)
	require.Equal(t, "vitals_alarm", out.Cautions[0].Code)
	require.Contains(t, out.Cautions[0].Text, "temperature up 1.1 C from 38.2 C")
	require.Contains(t, sheetOf(d, id).NextStep, "alarm stands: temperature up 1.1 C")
	look(d, id, 0, 98, 34, false)
	require.Contains(t, sheetOf(d, id).NextStep, "alarm stands: temperature", "a look without the temperature ends nothing")
	require.Contains(t, stepUp(d, id), "alarm_stands_before_step_up")
	look(d, id, 384, 98, 34, false)
	require.NotContains(t, sheetOf(d, id).NextStep, "alarm stands")
	require.Empty(t, stepUp(d, id))
	out = look(d, id, 370, 70, 34, false)
	require.Contains(t, out.Cautions[0].Text, "temperature down 1.2 C")
	require.Contains(t, out.Cautions[0].Text, "heart rate down 26/min")
}

// mL alone is not vitals, nor is one sign alone: neither puts off the next look, and
// neither lets the rate go up.
func TestMlAloneIsNoVitals(t *testing.T) {
	d, id := running(t)
	due := func() string {
		now, err := d.GetNow(t.Context(), &pb.GetNowRequest{})
		require.NoError(t, err)
		return now.Due[0].At
	}
	before := due()
	look(d, id, 0, 0, 0, false)
	require.Equal(t, before, due())
	require.Contains(t, stepUp(d, id), "no_vitals_before_step_up")
	look(d, id, 0, 97, 0, false)
	require.Equal(t, before, due())
	require.Contains(t, stepUp(d, id), "temperature")
	look(d, id, 383, 97, 35, false)
	require.NotEqual(t, before, due())
	require.Empty(t, stepUp(d, id))
}

// The latest baseline counts, and the practice's own limits.
func TestTheLatestBaselineCounts(t *testing.T) {
	d, id := running(t)
	d.Must(&pb.ProtocolSet{Name: "newborn foal", HeartRateRise: proto.Int32(10)})
	require.Equal(t, "vitals_alarm", look(d, id, 382, 107, 34, false).Cautions[0].Code)
	look(d, id, 382, 104, 34, true)
	for _, c := range look(d, id, 382, 107, 34, false).Cautions {
		require.NotEqual(t, "vitals_alarm", c.Code)
	}
}

// Every noted rate is checked against ceiling, label and protocol in mL/kg/h; one that
// goes down is never stopped, and is marked.
func TestANotedRateIsChecked(t *testing.T) {
	d, id := running(t)
	d.Must(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, RateMaxMlPerKgPerH: proto.Int32(15)})
	look(d, id, 383, 97, 35, false)
	second := ""
	try := func(mlPerH int32, codes ...string) (string, *pb.WriteResponse) {
		req := &pb.WriteRequest{Entry: d.Entry(&pb.RateSet{Case: id, MlPerH: mlPerH})}
		for _, c := range codes {
			req.Overrides = append(req.Overrides, &pb.Override{Code: c, Reason: "it ran so", Second: second})
		}
		out, err := d.Write(t.Context(), req)
		if ref, ok := refusal.As(err); ok {
			return ref.Error(), nil
		}
		require.NoError(t, err)
		return "", out
	}
	text, _ := try(900)
	require.Contains(t, text, "rate_over_label")
	require.Contains(t, text, "18 mL/kg/h is over the label's 15 mL/kg/h")
	text, _ = try(2400)
	require.Contains(t, text, "rate_over_40")
	for _, nobody := range []string{"", " ", "m. alder"} {
		second = nobody
		text, _ = try(2400, "rate_over_40", "rate_over_label")
		require.Contains(t, text, "a second person who agrees, not the author")
	}
	second = "J. Reed"
	_, out := try(2400, "rate_over_40", "rate_over_label")
	require.Contains(t, out.Text, "48 mL/kg/h")
	_, out = try(1100)
	require.NotNil(t, out, "slower is never stopped")
	require.Equal(t, "rate_over_ceiling", out.Cautions[0].Code)
	rows, err := d.ListOverrides(t.Context(), &pb.ListOverridesRequest{})
	require.NoError(t, err)
	require.Contains(t, []string{rows.Rows[0].Code, rows.Rows[1].Code, rows.Rows[2].Code}, "rate_over_ceiling")
	_, out = try(300)
	require.Empty(t, out.Cautions)
	require.Contains(t, out.Text, "6 mL/kg/h")
}

// That the clamp is shut is what every answer says while the clamp is shut.
func TestClampedIsSaid(t *testing.T) {
	d, id := running(t)
	out := d.Must(&pb.FlowChanged{Case: id, GivenMl: proto.Int32(20)})
	require.Contains(t, out.Text, "Clamp shut")
	require.Equal(t, "clamp shut", sheetOf(d, id).Case.State)
	require.Contains(t, sheetOf(d, id).NextStep, "clamp is shut")
	require.Zero(t, sheetOf(d, id).Transfusions[0].RateMlPerH, "nothing runs")
}
