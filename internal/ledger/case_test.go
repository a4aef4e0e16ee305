package ledger_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

func foldCase(t *testing.T, w *ledgertest.World) *ledger.Case {
	t.Helper()
	c, ok := ledgertest.Fold(caseKey, w.Records()).(*ledger.Case)
	require.True(t, ok)
	return c
}

func usedBag(bag string, ml int32) *pb.TransfusionEnded {
	return &pb.TransfusionEnded{Case: "C1", Bag: bag, GivenMl: ml}
}

// TestCaseSheet writes one whole case and finds each fact in its place.
func TestCaseSheet(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	foal := opened("C1", "")
	foal.BornAt = &pb.Moment{UnixMs: 1000}
	foal.Colour = "bay"
	for _, body := range []proto.Message{
		foal,
		&pb.RiskAsked{Case: "C1", JaundicedFoalBefore: pb.Answer_ANSWER_NO, DonkeySire: pb.Answer_ANSWER_UNKNOWN},
		&pb.PatientExamined{Case: "C1", TemperatureDc: proto.Int32(382), Signs: []string{"weak suck"}, PcvPm: proto.Int32(340), LactateUmolPerL: proto.Int32(2100)},
		&pb.CrossmatchNoted{Case: "C1", Bag: "B1", Minor: pb.MatchResult_MATCH_RESULT_COMPATIBLE, PatientType: "Aa"},
		&pb.FoodChainTold{Case: "C1", Status: pb.FoodChain_FOOD_CHAIN_OUT, Passport: "AU 0031"},
		&pb.BagsCarried{Bags: []string{"B1"}, Case: "C1", Coolant: pb.Coolant_COOLANT_DRY_ICE, Minutes: 90, Feel: pb.BagFeel_BAG_FEEL_HARD},
		&pb.PatientWeighed{Case: "C1", WeightG: 52500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE},
		&pb.IggTested{Case: "C1", Kind: "barn", IggCgPerL: proto.Int32(350)},
		&pb.ColostrumGiven{Case: "C1", Source: "dam", VolumeMl: 300, BrixD: proto.Int32(240)},
		&pb.ReferralOffered{Case: "C1", Answer: pb.ReferralAnswer_REFERRAL_ANSWER_DECLINED, Reasons: []string{"weak"}},
		&pb.EstimateAgreed{Case: "C1", AmountMinor: proto.Int64(98000), By: "client"},
		&pb.PlanAccepted{Case: "C1", Plan: "dose", VolumeMl: 1900, Bags: []string{"B1"}, Versions: []string{"engine 1"}},
		&pb.BathChecked{Case: "C1", Bag: "B1", BagWhole: true},
		&pb.ThawStarted{Bag: "B1", Case: "C1"},
		&pb.HangChecked{Case: "C1", Bag: "B1", PatientConfirmed: true, BagDc: proto.Int32(330)},
		&pb.CatheterPlaced{Case: "C1", Gauge: 16, Site: "left jugular"},
		&pb.SetAttached{Bag: "B1", Case: "C1"},
		&pb.VitalsNoted{Case: "C1", Baseline: true, HeartRate: proto.Int32(96)},
		started("C1", "name:MARE/", "car"),
		&pb.RateSet{Case: "C1", MlPerH: 75, SlowStage: true, DropsPerMin: proto.Int32(19)},
		&pb.VitalsNoted{Case: "C1", GivenMl: proto.Int32(25)},
	} {
		x.Write(body)
	}
	c := foldCase(t, w)
	require.True(t, c.Running)
	require.False(t, c.Clamped)
	require.Equal(t, int32(25), c.PlasmaMl, "what was read off the bag")
	require.Equal(t, "bay", c.Patient.Colour)
	require.Equal(t, int64(1000), c.Patient.BornMs)
	require.Equal(t, pb.Answer_ANSWER_UNKNOWN, c.Risk[0].DonkeySire)
	require.Equal(t, int32(382), *c.Exams[0].TemperatureDc)
	require.Nil(t, c.Exams[0].HeartRate)
	require.Equal(t, int32(340), *c.Exams[0].PcvPm)
	require.Equal(t, int32(2100), *c.Exams[0].LactateUmolPer)
	require.Equal(t, "Aa", c.Crossmatches[0].PatientType)
	require.Equal(t, "AU 0031", c.FoodChain[0].Passport)
	require.Equal(t, int32(90), c.Journeys[0].Minutes)
	require.Equal(t, int32(52500), c.Weights[0].WeightG)
	require.Equal(t, int32(350), *c.IggTests[0].IggCgPerL)
	require.Equal(t, int32(240), *c.Colostrum[0].BrixD)
	require.Equal(t, []string{"weak"}, c.Referrals[0].Reasons)
	require.Equal(t, int64(98000), *c.Estimates[0].AmountMinor)
	require.Equal(t, []string{"engine 1"}, c.Plans[0].Versions)
	require.True(t, c.BathChecks[0].BagWhole)
	require.Equal(t, int32(330), *c.HangChecks[0].BagDc)
	require.Equal(t, "B1", c.Thaws[0].Bag)
	require.Equal(t, "B1", c.Sets[0].Bag)
	require.Equal(t, int32(16), c.Catheters[0].Gauge)
	require.Equal(t, int32(75), c.Rates[0].MlPerH)
	require.Len(t, c.Vitals, 2)

	for _, body := range []proto.Message{
		&pb.FlowChanged{Case: "C1", Bag: "B1", GivenMl: proto.Int32(120), Reason: "hives"},
		&pb.ReactionNoted{Case: "C1", Signs: []string{"hives"}, Bag: "B1"},
		&pb.DrugGiven{Case: "C1", Drug: "adrenaline", DoseUg: 500, StrengthUgPerMl: 1000},
		&pb.FluidGiven{Case: "C1", Fluid: "saline", VolumeMl: 500},
		&pb.KitUsed{Place: "car", Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 1, Case: "C1"},
		&pb.HandedOver{Case: "C1", ToPerson: "reed", Sitter: "client"},
	} {
		x.Write(body)
	}
	c = foldCase(t, w)
	require.True(t, c.Running && c.Clamped)
	require.Equal(t, int32(120), c.PlasmaMl)
	require.Equal(t, int32(500), c.FluidMl)
	require.Zero(t, c.LastEndMs())
	require.Equal(t, "hives", c.Flows[0].Reason)
	require.Equal(t, []string{"hives"}, c.Reactions[0].Signs)
	require.Equal(t, int32(500), c.Drugs[0].DoseUg)
	require.Equal(t, int32(1), c.Kit[0].Count)
	require.Equal(t, "reed", c.Handovers[0].To)

	x.Write(&pb.FlowChanged{Case: "C1", Bag: "B1"}, ledgertest.As(80))
	end := x.Write(usedBag("B1", 900), finished)
	x.Write(&pb.CatheterRemoved{Case: "C1", Site: "left jugular"})
	x.Write(&pb.RecheckPlanned{Case: "C1", Person: "reed"})
	x.Write(&pb.IggTested{Case: "C1", Kind: "barn", IggCgPerL: proto.Int32(840)}, ledgertest.As(85))
	x.Write(&pb.AdverseEvent{Case: "C1", Event: "reaction", To: "maker"}, ledgertest.As(87))
	x.Write(&pb.AdverseDetail{Case: "C1", Breed: "thoroughbred", Treated: proto.Int32(2)})
	x.Write(&pb.CaseClosed{Case: "C1", Outcome: pb.Outcome_OUTCOME_WELL})
	c = foldCase(t, w)
	require.False(t, c.Running || c.Clamped)
	require.Equal(t, int32(900), c.PlasmaMl, "the end tells what was given in all")
	require.Equal(t, end.OccurredMs(), c.LastEndMs())
	require.True(t, c.Transfusions[0].Ends[0].Finished)
	require.True(t, c.Rechecked())
	require.True(t, c.Adverse[0].Reported)
	require.Equal(t, "thoroughbred", c.AdverseMore[0].Breed)
	require.Equal(t, int32(2), *c.AdverseMore[0].Treated)
	require.Equal(t, "reed", c.RecheckPlans[0].Person)
	require.True(t, c.Catheters[1].Removed)
	require.Equal(t, pb.Outcome_OUTCOME_WELL, c.Outcome())
	require.Empty(t, kindsOf(c))
}

// Two laptops that enter the same bag have one transfusion; a second bag adds.
func TestCaseCountsABagOnce(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Write(started("C1", "name:MARE/", "car"))
	y.Write(started("C1", "name:MARE/", "car"))
	x.Write(usedBag("B1", 900), finished)
	y.Write(usedBag("B1", 920), finished)
	x.Write(&pb.TransfusionStarted{Bag: "B0", Case: "C1"})
	c := foldCase(t, w)
	require.Len(t, c.Transfusions, 2)
	require.True(t, c.Running)
	require.Equal(t, int32(920), c.PlasmaMl)
	x.Write(usedBag("B0", 100))
	c = foldCase(t, w)
	require.False(t, c.Running)
	require.Equal(t, int32(1020), c.PlasmaMl)
}

// A case that was closed has nothing running, unless a bag was started after.
func TestClosedInMidBag(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(started("C1", "name:MARE/", "car"))
	x.Write(&pb.CaseClosed{Case: "C1", Outcome: pb.Outcome_OUTCOME_DIED})
	require.False(t, foldCase(t, w).Running)
	x.Write(&pb.TransfusionStarted{Bag: "B0", Case: "C1"})
	require.True(t, foldCase(t, w).Running)
}

// What is typed later than a quarter of an hour afterwards says so.
func TestEnteredLate(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	w.Pass(3600e9)
	x.Write(&pb.HangChecked{Case: "C1", Bag: "B1"}, ledgertest.At(w.Now().Add(-16*60e9)))
	x.Write(&pb.HangChecked{Case: "C1", Bag: "B0"}, ledgertest.At(w.Now().Add(-14*60e9)))
	c := foldCase(t, w)
	require.True(t, c.HangChecks[0].Stamp.Marks.Has(ledger.MarkLate))
	require.False(t, c.HangChecks[1].Stamp.Marks.Has(ledger.MarkLate))
}
