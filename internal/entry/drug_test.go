package entry_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// Every drug answer says mg, mg/kg and mL and compares with the card's line: 48 mg of
// adrenaline for 480 kg is ten times 0.01 mg/kg.
func TestADrugIsComparedWithTheCard(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Must(&pb.ProtocolSet{Name: "horse", ReactionCard: "Call for help\nadrenaline | 0.01 mg/kg | 1 mg/mL | vein, slowly |"})
	id := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Grey Wren", ClockChecked: true}).Made[0]
	give := func(ug, strength int32) *pb.WriteResponse {
		return d.Must(&pb.DrugGiven{Case: id, Drug: "Adrenaline", DoseUg: ug, StrengthUgPerMl: strength, Route: "vein"})
	}
	out := give(4_800, 1_000)
	require.Contains(t, codesOf(out), "drug_without_weight")
	require.Contains(t, out.Text, "4.8 mL")
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 480_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	out = give(4_800, 1_000)
	require.Empty(t, out.Cautions)
	require.Contains(t, out.Text, "4.8 mg = 4.8 mL, 0.01 mg/kg (the card: 0.01 mg/kg)")
	out = give(48_000, 1_000)
	require.Equal(t, []string{"drug_over_card"}, codesOf(out))
	require.Contains(t, out.Cautions[0].Text, "0.1 mg/kg of Adrenaline is 10 times the card's 0.01 mg/kg")
	require.Equal(t, []string{"drug_strength_differs"}, codesOf(give(4_800, 10_000)))
	require.Equal(t, []string{"drug_under_card"}, codesOf(give(480, 1_000)))
}

// What cannot be is refused: a reversed band, a weight outside its own range.
func TestReversedNumbersAreRefused(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	id := d.Foal()
	field, text := d.Refused(&pb.IggTested{Case: id, Kind: "barn", BandLowCgPerL: proto.Int32(800), BandHighCgPerL: proto.Int32(400)})
	require.Equal(t, "low_g_per_l", field)
	require.Contains(t, text, "not over 4 g/L")
	field, text = d.Refused(&pb.PatientWeighed{Case: id, WeightG: 50_000, LowG: proto.Int32(52_000), HighG: proto.Int32(60_000), Method: pb.WeightMethod_WEIGHT_METHOD_TAPE})
	require.Equal(t, "weight_kg", field)
	require.Contains(t, text, "inside its own range")
}

// Red urine, or no swallow, offers referral where it is entered; colostrum before the
// look, or against what was found, is told.
func TestWhatIsFoundOffersReferral(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	id := d.Foal()
	require.Contains(t, codesOf(d.Must(&pb.ColostrumGiven{Case: id, Source: "dam", VolumeMl: 200})), "colostrum_before_look")
	require.NotContains(t, codesOf(d.Must(&pb.PatientExamined{Case: id, TemperatureDc: proto.Int32(381)})), "offer_referral_now")
	no := pb.Answer_ANSWER_NO
	out := d.Must(&pb.RiskAsked{Case: id, JaundicedFoalBefore: no, PositiveScreen: no, DonkeySire: no, YellowOrRedUrine: pb.Answer_ANSWER_YES})
	require.Contains(t, codesOf(out), "offer_referral_now")
	require.Contains(t, out.Cautions[0].Text, "yellow, or red urine")
	out = d.Must(&pb.PatientExamined{Case: id, Signs: []string{"cannot_swallow"}, GlucoseUmolPerL: proto.Int32(2_000)})
	require.Contains(t, out.Cautions[0].Text, "cannot swallow")
	require.Contains(t, out.Cautions[0].Text, "glucose")
	require.Contains(t, codesOf(d.Must(&pb.ColostrumGiven{Case: id, Source: "dam", VolumeMl: 200})), "nothing_by_mouth")
}

// What is read off a bag cannot be more than hangs there; shutting the clamp is never
// refused.
func TestReadingsFitTheBag(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Case: id, Bag: bags[0]})
	field, text := d.Refused(&pb.VitalsNoted{Case: id, GivenMl: proto.Int32(1_500)})
	require.Equal(t, "given_ml", field)
	require.Contains(t, text, "1.5 times the 950 mL")
	require.Contains(t, codesOf(d.Must(&pb.VitalsNoted{Case: id, GivenMl: proto.Int32(990)})), "more_than_label")
	require.Contains(t, codesOf(d.Must(&pb.FlowChanged{Case: id, GivenMl: proto.Int32(1_500)})), "more_than_label")
}
