package demo

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// foal is one patient and how its treatment goes.
type foal struct {
	id     string // the case
	helper string // the case that a second vet opened on the same foal
	at     *site
	vet    string
	begins int // minutes before the end of the night when the vet arrives
	born   int

	dam, colour, marks, box, yard string
	sex                           pb.Sex

	weightG           int32
	method            pb.WeightMethod
	lowG, highG       *int32
	iggCgPerL         int32
	donorIggCgPerL    int32
	heart, breaths    int32
	temperatureDc     int32
	bag               string
	volumeMl          int32
	slowMl, plateauMl int32 // per hour
}

func (f *foal) by(minute int, text string) step {
	return step{f.at, f.vet, f.begins + minute, text}
}

func (f *foal) kg() float64 { return float64(f.weightG) / 1000 }

// Minutes after arrival.
const (
	minThaw  = 30
	minHang  = 68
	minStart = 71
	// slowMin is the slow start; the step up comes at its end.
	slowMin = 20
)

// meet opens the case and looks at the foal.
func (n *night) meet(f *foal) {
	f.id = n.only(n.write(f.by(0, fmt.Sprintf("opens a case: foal of %s, %s, %s, %s, box %s", f.dam, f.colour, sexWord(f.sex), f.marks, f.box)),
		&pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{
			Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: f.dam, Sex: f.sex, Colour: f.colour, Markings: f.marks, Box: f.box,
			Yard: f.yard, BornAt: n.typed(f.born), Client: n.client, ClockChecked: true,
		}}}))
	no := pb.Answer_ANSWER_NO
	n.write(f.by(2, "isoerythrolysis questions: no, no, no, no"), &pb.Entry{Body: &pb.Entry_RiskAsked{RiskAsked: &pb.RiskAsked{
		Case: f.id, JaundicedFoalBefore: no, PositiveScreen: no, DonkeySire: no, YellowOrRedUrine: no,
	}}})
	n.write(f.by(4, fmt.Sprintf("examination: %s C, heart rate %d, respiratory rate %d, up and sucking weakly", tenths(f.temperatureDc), f.heart, f.breaths)),
		&pb.Entry{Body: &pb.Entry_PatientExamined{PatientExamined: &pb.PatientExamined{
			Case: f.id, TemperatureDc: &f.temperatureDc, HeartRate: &f.heart, BreathingRate: &f.breaths, Text: "up and sucking weakly",
		}}})
	n.write(f.by(8, fmt.Sprintf("weighs: %g kg by %s", f.kg(), methodWord(f.method))), &pb.Entry{Body: &pb.Entry_PatientWeighed{
		PatientWeighed: &pb.PatientWeighed{Case: f.id, WeightG: f.weightG, Method: f.method, LowG: f.lowG, HighG: f.highG},
	}})
	n.write(f.by(18, fmt.Sprintf("tests IgG: %s g/L, barn immunoassay", hundredths(f.iggCgPerL))), &pb.Entry{Body: &pb.Entry_IggTested{
		IggTested: &pb.IggTested{Case: f.id, Kind: "barn immunoassay", IggCgPerL: &f.iggCgPerL},
	}})
	n.write(f.by(20, "offers a hospital; declined by P. Hollis"), &pb.Entry{Body: &pb.Entry_ReferralOffered{ReferralOffered: &pb.ReferralOffered{
		Case: f.id, Reasons: []string{"IgG below the target"}, Answer: pb.ReferralAnswer_REFERRAL_ANSWER_DECLINED, By: "P. Hollis",
	}}})
	n.write(f.by(23, "estimate agreed in person: 980.00 AUD; a bag thawed and not used 310.00"), &pb.Entry{Body: &pb.Entry_EstimateAgreed{
		EstimateAgreed: &pb.EstimateAgreed{
			Case: f.id, AmountMinor: proto.Int64(98000), UnusedBagMinor: proto.Int64(31000), By: "P. Hollis", How: "in person",
		},
	}})
}

// decide plans the dose and the rate with the case's numbers and takes a bag.
func (n *night) decide(f *foal) {
	weight, igg, donor := f.kg(), float64(f.iggCgPerL)/100, float64(f.donorIggCgPerL)/100
	age := float64(f.begins+25-f.born) / 60
	dose := &pb.DoseRequest{
		WeightKg: &weight, IggGPerL: &igg, DonorIggGPerL: &donor, AgeH: &age,
		BagMl: proto.Float64(bagMl), Given_24HMl: proto.Float64(0),
	}
	planned := ask(n, f.at, f.at.plan.Dose, dose)
	if n.err != nil {
		return
	}
	v, e := planned.VolumeMl, planned.ExpectedIggGPerL
	n.say(f.by(25, fmt.Sprintf("plans: %.0f mL (%.0f to %.0f) of plasma with %g g/L; %d bag now; expected IgG %.1f g/L (%.1f to %.1f)",
		v.GetMid(), v.GetLow(), v.GetHigh(), donor, planned.GetBagsNow(), e.GetMid(), e.GetLow(), e.GetHigh())))
	for _, c := range planned.Cautions {
		n.screen.caution(c.Text)
	}
	drip := ask(n, f.at, f.at.plan.Drip, &pb.DripRequest{
		VolumeMl: proto.Float64(bagMl), WeightKg: &weight, PlateauMlPerKgPerH: proto.Float64(16), DropsPerMl: proto.Float64(15), Kind: "foal",
	})
	if n.err != nil {
		return
	}
	if len(drip.Stages) != 2 {
		n.fail(fmt.Errorf("a slow start and a plateau expected, got %d stages", len(drip.Stages)))
		return
	}
	f.slowMl, f.plateauMl = int32(math.Round(drip.Stages[0].MlPerH)), int32(math.Round(drip.Stages[1].MlPerH))
	n.choose(f, int32(math.Ceil(v.GetMid())))
	n.accept(f, dose, planned)
}

// choose takes the bag that the stock offers first.
func (n *night) choose(f *foal, needMl int32) {
	chosen := ask(n, f.at, f.at.stock.ChooseBags, &pb.ChooseBagsRequest{Case: f.id, NeedMl: needMl, Place: f.at.place})
	if n.err != nil {
		return
	}
	for _, b := range chosen.Bags {
		if b.Batch == mouthBatch {
			n.fail(fmt.Errorf("bag %s is by mouth and was offered for the vein", bagText(b.Bag)))
			return
		}
	}
	if len(chosen.Bags) != 1 {
		n.fail(fmt.Errorf("one bag of the %s expected for %d mL, got %d", f.at.place, needMl, len(chosen.Bags)))
		return
	}
	b := chosen.Bags[0]
	f.bag, f.volumeMl = b.Bag, b.VolumeMl
	n.say(f.by(26, fmt.Sprintf("takes %s, batch %s, %d mL: the earliest use-by in the %s", bagText(b.Bag), b.Batch, b.VolumeMl, f.at.place)))
	n.screen.note(chosen.Freshness.GetText())
}

func (n *night) accept(f *foal, in *pb.DoseRequest, out *pb.DoseResponse) {
	inputs, err := asJSON(in)
	n.fail(err)
	result, err := asJSON(out)
	n.fail(err)
	n.write(f.by(27, fmt.Sprintf("accepts the plan: %d mL, then slow start %d mL/h, plateau %d mL/h", f.volumeMl, f.slowMl, f.plateauMl)),
		&pb.Entry{Body: &pb.Entry_PlanAccepted{PlanAccepted: &pb.PlanAccepted{
			Case: f.id, Plan: "dose", VolumeMl: f.volumeMl, Bags: []string{f.bag}, PlateauMlPerH: &f.plateauMl, DropsPerMl: proto.Int32(15),
			Inputs: inputs, Result: result, Versions: out.GetVersions(),
		}}})
}

// asJSON keeps a plan as it was shown: proto field names, one space never two.
func asJSON(m proto.Message) (string, error) {
	raw, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(m)
	if err != nil {
		return "", err
	}
	var compact json.RawMessage = raw
	raw, err = json.Marshal(compact)
	return string(raw), err
}

// thaw checks the bag and puts it into the bath.
func (n *night) thaw(f *foal) {
	n.write(f.by(28, "checks the bag before the water bath: all in order"), &pb.Entry{Body: &pb.Entry_BathChecked{BathChecked: &pb.BathChecked{
		Case: f.id, Bag: f.bag, LabelRead: true, BatchAndExpiryMatch: true, BagWhole: true, NoHoldKnown: true, IggKnownOrWaived: true, AgreementGiven: true,
	}}})
	n.write(f.by(minThaw, "puts it into the water bath: 37 C, 12 L"), &pb.Entry{Body: &pb.Entry_ThawStarted{ThawStarted: &pb.ThawStarted{
		Bag: f.bag, Case: f.id, BathDc: proto.Int32(370), WaterLX10: proto.Int32(120),
	}}})
}

// warm follows the bath until the bag is thawed.
func (n *night) warm(f *foal) {
	for _, b := range []struct {
		minute int
		dc     int32
	}{{minThaw + 12, 338}, {minThaw + 22, 351}} {
		n.write(f.by(b.minute, "water bath "+tenths(b.dc)+" C"), &pb.Entry{Body: &pb.Entry_BathMeasured{BathMeasured: &pb.BathMeasured{Bag: f.bag, BathDc: b.dc}}})
	}
	n.write(f.by(minThaw+33, "thawed, by eye and hand; bag 33.5 C"), &pb.Entry{Body: &pb.Entry_BagThawed{BagThawed: &pb.BagThawed{Bag: f.bag, BagDc: proto.Int32(335)}}})
}

// hang checks patient and bag and attaches the set.
func (n *night) hang(f *foal) {
	n.write(f.by(64, "catheter 16 G, left jugular"), &pb.Entry{Body: &pb.Entry_CatheterPlaced{CatheterPlaced: &pb.CatheterPlaced{
		Case: f.id, Gauge: 16, Site: "left jugular",
	}}})
	n.vitals(f, f.begins+66, 0, 0, true)
	n.write(f.by(minHang, "checks patient and bag before the set: all in order"), &pb.Entry{Body: &pb.Entry_HangChecked{HangChecked: &pb.HangChecked{
		Case: f.id, Bag: f.bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true,
		BagDc: proto.Int32(332), FilteredSet: true, SpareSet: true, ReactionCardInReach: true, BaselineVitals: true,
	}}})
	n.write(f.by(minHang+1, "pushes the set into the bag"), &pb.Entry{Body: &pb.Entry_SetAttached{SetAttached: &pb.SetAttached{Bag: f.bag, Case: f.id}}})
}

// begin starts slowly, looks at 5, 10, 15 minutes and steps up.
func (n *night) begin(f *foal) {
	start := f.begins + minStart
	n.write(f.by(minStart, fmt.Sprintf("starts: slow, %d mL/h", f.slowMl)), n.started(f.id, f.bag))
	n.rate(f, minStart, f.slowMl, true, "")
	for _, m := range []int{5, 10, 15} {
		n.vitals(f, start+m, f.slowMl*int32(m)/60, int32(m)/5, false)
	}
	n.vitals(f, start+slowMin, f.slowMl*slowMin/60, 2, false)
	n.rate(f, minStart+slowMin, f.plateauMl, false, fmt.Sprintf("steps up: %d mL/h", f.plateauMl))
}

func (n *night) started(id, bag string) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_TransfusionStarted{TransfusionStarted: &pb.TransfusionStarted{Case: id, Bag: bag}}}
}

func (n *night) rate(f *foal, minute int, mlPerH int32, slow bool, text string) {
	n.write(f.by(minute, text), &pb.Entry{Body: &pb.Entry_RateSet{RateSet: &pb.RateSet{Case: f.id, MlPerH: mlPerH, SlowStage: slow}}})
}

// vitals notes one look; rise is how far heart and breaths are over the start.
func (n *night) vitals(f *foal, when int, givenMl, rise int32, baseline bool) {
	v := &pb.VitalsNoted{
		Case: f.id, TemperatureDc: proto.Int32(f.temperatureDc + rise/2), HeartRate: proto.Int32(f.heart + rise),
		BreathingRate: proto.Int32(f.breaths + rise), Baseline: baseline,
	}
	text := fmt.Sprintf("vitals: %s C, heart rate %d, respiratory rate %d", tenths(v.GetTemperatureDc()), v.GetHeartRate(), v.GetBreathingRate())
	if baseline {
		text += " (baseline)"
	} else {
		v.GivenMl = &givenMl
		text += fmt.Sprintf("; %d mL in", givenMl)
	}
	n.write(step{f.at, f.vet, when, text}, &pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: v}})
}

// afterwards plans the recheck and takes the kit out of the books.
func (n *night) afterwards(f *foal, when int) {
	n.write(step{f.at, f.vet, when, "IgG recheck in 24 h, by " + f.vet}, &pb.Entry{Body: &pb.Entry_RecheckPlanned{
		RecheckPlanned: &pb.RecheckPlanned{Case: f.id, Person: f.vet},
	}})
	for _, item := range []pb.KitItem{pb.KitItem_KIT_ITEM_FILTERED_SET, pb.KitItem_KIT_ITEM_CATHETER_16G, pb.KitItem_KIT_ITEM_IGG_TEST} {
		n.write(step{f.at, f.vet, when, ""}, &pb.Entry{Body: &pb.Entry_KitUsed{KitUsed: &pb.KitUsed{Place: f.at.place, Item: item, Count: 1, Case: f.id}}})
	}
	n.say(step{f.at, f.vet, when, "kit used: 1 filtered set, 1 catheter, 1 IgG test"})
}

func tenths(v int32) string { return fmt.Sprintf("%d.%d", v/10, v%10) }

func hundredths(v int32) string { return fmt.Sprintf("%g", float64(v)/100) }

func sexWord(s pb.Sex) string { return strings.ToLower(strings.TrimPrefix(s.String(), "SEX_")) }

func methodWord(m pb.WeightMethod) string {
	return strings.ToLower(strings.TrimPrefix(m.String(), "WEIGHT_METHOD_"))
}
