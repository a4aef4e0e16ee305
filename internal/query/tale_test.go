package query_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// A moment of the night of the tales.
func at(hour, minute int) *pb.Moment {
	return &pb.Moment{UnixMs: time.Date(2026, 11, 24, hour, minute, 0, 0, time.UTC).UnixMilli()}
}

func n(v int32) *int32 { return &v }

// tales are the golden sentences of dated lists: each event once at the least. C, B and
// D stand for the case and two bags.
func tales(c, b, d string) []struct {
	name, text, wrong string
	m                 proto.Message
} {
	type tale = struct {
		name, text, wrong string
		m                 proto.Message
	}
	return []tale{
		{"case_opened", "Case opened: the foal, born 12:10 on 24 Nov 2026, gestation 335 days", "", &pb.CaseOpened{Case: c, BornAt: at(1, 10), GestationD: n(335), ClockChecked: true}},
		{"case_opened", "Case opened: the foal", "This laptop's clock was not compared with a watch.", &pb.CaseOpened{Case: c}},
		{"risk_asked", "Isoerythrolysis: no risk factor known", "", &pb.RiskAsked{Case: c, JaundicedFoalBefore: pb.Answer_ANSWER_NO, PositiveScreen: pb.Answer_ANSWER_NO, DonkeySire: pb.Answer_ANSWER_NO, YellowOrRedUrine: pb.Answer_ANSWER_NO}},
		{"risk_asked", "Isoerythrolysis asked", "Yes: a jaundiced foal before. Unknown: a positive antibody screen, a mule foal (donkey sire).", &pb.RiskAsked{Case: c, JaundicedFoalBefore: pb.Answer_ANSWER_YES, PositiveScreen: pb.Answer_ANSWER_UNKNOWN, DonkeySire: pb.Answer_ANSWER_UNKNOWN, YellowOrRedUrine: pb.Answer_ANSWER_NO}},
		{"patient_examined", "Examined: temperature 38.2 °C, heart rate 96/min, respiratory rate 34/min, glucose 4.2 mmol/L, total protein 40 g/L, PCV 34 %, lactate 2.1 mmol/L, 'up and sucking weakly'", "Seen: cannot stand, no suck.", &pb.PatientExamined{Case: c, TemperatureDc: n(382), HeartRate: n(96), BreathingRate: n(34), GlucoseUmolPerL: n(4200), TotalProteinDgPerL: n(400), PcvPm: n(340), LactateUmolPerL: n(2100), Signs: []string{"cannot_stand", "no_suck"}, Text: "up and\nsucking weakly"}},
		{"patient_weighed", "Weight 52.5 kg, scale", "", &pb.PatientWeighed{Case: c, WeightG: 52500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}},
		{"patient_weighed", "Weight 50 kg, tape, between 45 kg and 55 kg, girth 84 cm", "", &pb.PatientWeighed{Case: c, WeightG: 50000, Method: pb.WeightMethod_WEIGHT_METHOD_TAPE, LowG: n(45000), HighG: n(55000), GirthMm: n(840)}},
		{"igg_tested", "IgG 3.50 g/L, by barn immunoassay, sampled 13:00 on 24 Nov 2026", "", &pb.IggTested{Case: c, Kind: "barn immunoassay", IggCgPerL: n(350), SampledAt: at(2, 0)}},
		{"igg_tested", "IgG 2.00 g/L to 4.00 g/L, by snap", "", &pb.IggTested{Case: c, Kind: "snap", BandLowCgPerL: n(200), BandHighCgPerL: n(400)}},
		{"igg_tested", "IgG below the cut of 8.00 g/L, by card", "", &pb.IggTested{Case: c, Kind: "card", CutCgPerL: n(800), Side: pb.CutSide_CUT_SIDE_BELOW}},
		{"igg_tested", "IgG not tested: the foal never sucked", "", &pb.IggTested{Case: c, NeverSucked: true}},
		{"igg_rechecked", "IgG after plasma 8.40 g/L, by laboratory", "", &pb.IggTested{Case: c, Kind: "laboratory", IggCgPerL: n(840)}},
		{"colostrum_given", "Colostrum, 300 mL, dam, bottle, Brix 24 %", "", &pb.ColostrumGiven{Case: c, Source: "dam", VolumeMl: 300, BrixD: n(240), Route: "bottle"}},
		{"colostrum_given", "Colostrum, 250 mL, bank, specific gravity 1.085", "The mare had been running milk.", &pb.ColostrumGiven{Case: c, Source: "bank", VolumeMl: 250, SpecificGravityE3: n(1085), UdderRunningMilk: true}},
		{"referral_offered", "Referral offered, declined by P. Hollis: cannot stand", "", &pb.ReferralOffered{Case: c, Answer: pb.ReferralAnswer_REFERRAL_ANSWER_DECLINED, By: "P. Hollis", Reasons: []string{"cannot_stand"}}},
		{"estimate_agreed", "Estimate agreed by P. Hollis, by telephone: 980.00 AUD, 310.00 AUD for a bag thawed and not used", "", &pb.EstimateAgreed{Case: c, AmountMinor: proto.Int64(98000), UnusedBagMinor: proto.Int64(31000), By: "P. Hollis", How: "by telephone"}},
		{"plan_accepted", "Plan of 1337 mL accepted: bags B, D (Foal plasma, batch H-2207), the foal", "", &pb.PlanAccepted{Case: c, Plan: "dose", VolumeMl: 1337, Bags: []string{b, d}}},
		{"plan_accepted", "Rate accepted: 1000 mL/h, 15 drops per mL", "", &pb.PlanAccepted{Case: c, Plan: "drip", VolumeMl: 1337, PlateauMlPerH: n(1000), DropsPerMl: n(15)}},
		{"bath_checked", "Checked before the water bath: all six right, bag B (Foal plasma, batch H-2207), the foal", "", &pb.BathChecked{Case: c, Bag: b, LabelRead: true, BatchAndExpiryMatch: true, BagWhole: true, NoHoldKnown: true, IggKnownOrWaived: true, AgreementGiven: true}},
		{"bath_checked", "Checked before the water bath: four of six right, bag B (Foal plasma, batch H-2207), the foal", "Not ticked: no hold is known here for this batch; the client agreed. Not in order: the client sleeps.", &pb.BathChecked{Case: c, Bag: b, LabelRead: true, BatchAndExpiryMatch: true, BagWhole: true, IggKnownOrWaived: true, Text: "the client sleeps"}},
		{"hang_checked", "Checked before the set goes in: all nine right, bag at 33.5 °C, bag B (Foal plasma, batch H-2207), the foal", "", &pb.HangChecked{Case: c, Bag: b, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true, BagDc: n(335), FilteredSet: true, SpareSet: true, ReactionCardInReach: true, BaselineVitals: true}},
		{"hang_checked", "Checked before the set goes in: seven of nine right, bag B (Foal plasma, batch H-2207), the foal", "Not ticked: straw-coloured, no clots, not red, no gas; spare set at hand.", &pb.HangChecked{Case: c, Bag: b, PatientConfirmed: true, SameBag: true, FullyThawed: true, WholeWhenSqueezed: true, FilteredSet: true, ReactionCardInReach: true, BaselineVitals: true}},
		{"catheter_placed", "Catheter of 16 G in, left jugular, 130 mm long", "", &pb.CatheterPlaced{Case: c, Gauge: 16, Site: "left jugular", LengthMm: n(130)}},
		{"catheter_removed", "Catheter out: left jugular, 'clean'", "", &pb.CatheterRemoved{Case: c, Site: "left jugular", Text: "clean"}},
		{"set_attached", "Bag spiked: bag B (Foal plasma, batch H-2207), the foal", "", &pb.SetAttached{Bag: b, Case: c}},
		{"transfusion_started", "Plasma started: bag B (Foal plasma, batch H-2207), the foal", "", &pb.TransfusionStarted{Bag: b, Case: c}},
		{"transfusion_started", "Plasma started: bag D (Foal plasma, batch H-2207), the foal, shared with the twin, a new set", "", &pb.TransfusionStarted{Bag: d, Case: c, SharedWithTwin: true}},
		{"rate_set", "Slow start at 75 mL/h, 19 drops a minute, bag B (Foal plasma, batch H-2207)", "", &pb.RateSet{Case: c, MlPerH: 75, SlowStage: true, DropsPerMin: n(19), Bag: b}},
		{"rate_set", "Rate set to 1000 mL/h, bag B (Foal plasma, batch H-2207)", "", &pb.RateSet{Case: c, MlPerH: 1000, Bag: b}},
		{"vitals_noted", "Baseline vitals: temperature 38.4 °C, heart rate 100/min, respiratory rate 36/min", "", &pb.VitalsNoted{Case: c, Baseline: true, TemperatureDc: n(384), HeartRate: n(100), BreathingRate: n(36)}},
		{"vitals_noted", "Vitals: temperature 38.5 °C, heart rate 98/min, respiratory rate 34/min, 90 mL given, 'calm'", "", &pb.VitalsNoted{Case: c, TemperatureDc: n(385), HeartRate: n(98), BreathingRate: n(34), GivenMl: n(90), Text: "calm"}},
		{"reaction_noted", "", "Reaction: hives, fast heart, bag B (Foal plasma, batch H-2207), the foal.", &pb.ReactionNoted{Case: c, Signs: []string{"hives", "fast heart"}, Bag: b}},
		{"reaction_noted", "", "Grave reaction: collapse, bag B (Foal plasma, batch H-2207), the foal.", &pb.ReactionNoted{Case: c, Signs: []string{"collapse"}, Grave: true, Bag: b}},
		{"reaction_described", "Reaction described, allergic, moderate, first sign after 12 min, with 40 mL in, 'slowed', checked by K. Low, 'gone in an hour', over at 14:40 on 24 Nov 2026", "", &pb.ReactionDescribed{Case: c, Kind: pb.ReactionKind_REACTION_KIND_ALLERGIC, Grade: pb.ReactionGrade_REACTION_GRADE_MODERATE, OnsetMin: n(12), OnsetMl: n(40), Treatment: "slowed", CheckedBy: "K. Low", Course: "gone in an hour", EndedAt: at(3, 40)}},
		{"follow_up_noted", "Next bag: left (the vet stops here after hives)", "", &pb.FollowUpNoted{Case: c, What: pb.FollowUp_FOLLOW_UP_NEXT_BAG, Reason: "the vet stops here after hives"}},
		{"drug_given", "0.525 mg of adrenaline, 0.525 mL of 1 mg/mL, vein, checked by K. Low, again after 5 min at the earliest", "", &pb.DrugGiven{Case: c, Drug: "adrenaline", DoseUg: 525, StrengthUgPerMl: 1000, Route: "vein", CheckedBy: "K. Low", RepeatMin: n(5)}},
		{"fluid_given", "500 mL of lactated Ringer by vein", "", &pb.FluidGiven{Case: c, Fluid: "lactated Ringer", VolumeMl: 500}},
		{"clamped", "Clamp shut: 120 mL given, bag B (Foal plasma, batch H-2207), 'restless'", "", &pb.FlowChanged{Case: c, Bag: b, GivenMl: n(120), Reason: "restless"}},
		{"resumed", "Clamp open again: bag B (Foal plasma, batch H-2207)", "", &pb.FlowChanged{Case: c, Bag: b}},
		{"stopped", "Bag stopped: 310 mL given, bag B (Foal plasma, batch H-2207), the foal", "Why: hives.", &pb.TransfusionEnded{Bag: b, Case: c, GivenMl: 310, Reason: "hives"}},
		{"finished", "Bag finished: 940 mL given, bag B (Foal plasma, batch H-2207), the foal", "", &pb.TransfusionEnded{Bag: b, Case: c, GivenMl: 940}},
		{"handed_over", "Handed over to J. Reed, 400 mL given, 315 mL/h, next vitals 13:30 on 24 Nov 2026, P. Hollis sits with the patient", "A reaction was seen.", &pb.HandedOver{Case: c, ToPerson: "J. Reed", GivenMl: n(400), MlPerH: n(315), ReactionSeen: true, NextVitalsAt: at(2, 30), Sitter: "P. Hollis"}},
		{"recheck_planned", "Recheck by J. Reed, due 15:00 on 24 Nov 2026", "", &pb.RecheckPlanned{Case: c, Person: "J. Reed", DueAt: at(4, 0)}},
		{"adverse_event_considered", "Adverse event, reaction, a report was considered, 'mild'", "", &pb.AdverseEvent{Case: c, Event: "reaction", Text: "mild"}},
		{"adverse_event_described", "Adverse event described: kind an animal, breed thoroughbred, treated 3, assessment probably the plasma", "", &pb.AdverseDetail{Case: c, Kind: pb.AdverseKind_ADVERSE_KIND_ANIMAL, Breed: "thoroughbred", Treated: n(3), Assessment: "probably the plasma"}},
		{"adverse_event_reported", "Adverse event, reaction, reported, to maker, reference R-114", "", &pb.AdverseEvent{Case: c, Event: "reaction", To: "maker", Reference: "R-114"}},
		{"case_closed", "Case closed, euthanased: 'fracture'", "", &pb.CaseClosed{Case: c, Outcome: pb.Outcome_OUTCOME_EUTHANASED, Reason: "fracture"}},
		{"case_adopted", "Case taken over by this laptop, the foal", "", &pb.CaseAdopted{Case: c}},
		{"case_adopted", "Case taken over by a file, the foal", "", &pb.CaseAdopted{Case: c, Way: pb.AdoptedBy_ADOPTED_BY_FILE}},
		{"case_adopted", "Case taken over by a code, bag B (Foal plasma, batch H-2207), 170 mL given, the foal", "", &pb.CaseAdopted{Case: c, Way: pb.AdoptedBy_ADOPTED_BY_CODE, Bag: b, GivenMl: n(170)}},
		{"crossmatch_noted", "", "Minor crossmatch incompatible, major compatible, bag B (Foal plasma, batch H-2207), the foal, red-cell type Aa negative, by Hill Road.", &pb.CrossmatchNoted{Case: c, Bag: b, Minor: pb.MatchResult_MATCH_RESULT_INCOMPATIBLE, Major: pb.MatchResult_MATCH_RESULT_COMPATIBLE, Laboratory: "Hill Road", PatientType: "Aa negative"}},
		{"food_chain_told", "Food chain, by the passport: out, passport AU 0031", "", &pb.FoodChainTold{Case: c, Status: pb.FoodChain_FOOD_CHAIN_OUT, Passport: "AU 0031"}},

		{"bags_received", "2 bags received into L: P, batch H2207, expiry 2028-03, 950 mL each, IgG 21.00 g/L, delivery note DN-7, from Wattle Biologics, 310.00 AUD each, lent to us, bags B, D", "", &pb.BagsReceived{Bags: []string{b, d}, Product: "P", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: "L", IggCgPerL: n(2100), Delivery: "DN-7", Supplier: "Wattle Biologics", CostMinor: proto.Int64(31000), Borrowed: true}},
		{"opening_stock", "2 bags in L before the books began: P, batch H2199, expiry 2027-01, 950 mL each, bags B, D", "", &pb.BagsReceived{Bags: []string{b, d}, Product: "P", Batch: "H2199", Expiry: "2027-01", VolumeMl: 950, Count: 2, Place: "L"}},
		{"bag_found", "Found in L, bag B, P, batch H2207, expiry 2028-03, 950 mL, 'frozen'", "", &pb.BagFound{Bag: b, Product: "P", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Place: "L", Condition: "frozen"}},
		{"label_unreadable", "", "The label cannot be read: bag B (Foal plasma, batch H-2207). Two looks at our number agree with the books. Second look: K. Low.", &pb.LabelUnreadable{Bag: b, BagAgain: b, SecondBy: "K. Low"}},
		{"label_unreadable", "", "The label cannot be read: bag B (Foal plasma, batch H-2207), 'Foal pl…'. Quarantined until a person decides.", &pb.LabelUnreadable{Bag: b, SetAside: true, Text: "Foal pl…"}},
		{"bags_moved", "Moved to L: bag B (Foal plasma, batch H-2207)", "", &pb.BagsMoved{Bags: []string{b}, ToPlace: "L"}},
		{"bags_carried", "90 min in a cool box, dry ice, came out hard, warmest -40 °C, bag B (Foal plasma, batch H-2207), the foal", "", &pb.BagsCarried{Bags: []string{b}, Case: c, Coolant: pb.Coolant_COOLANT_DRY_ICE, Minutes: 90, BoxDc: n(-400), Feel: pb.BagFeel_BAG_FEEL_HARD}},
		{"bags_carried", "90 min in a cool box, nothing, came out soft, bag B (Foal plasma, batch H-2207)", "It went soft.", &pb.BagsCarried{Bags: []string{b}, Coolant: pb.Coolant_COOLANT_NOTHING, Minutes: 90, Feel: pb.BagFeel_BAG_FEEL_SOFT}},
		{"place_counted", "Counted L, 1 bag seen: bag B (Foal plasma, batch H-2207)", "Not seen: bag D (Foal plasma, batch H-2207).", &pb.PlaceCounted{Place: "L", BagsSeen: []string{b}, BagsNotSeen: []string{d}}},
		{"bag_missing", "", "Cannot be found: bag B (Foal plasma, batch H-2207), should be in L, 'not in the car'.", &pb.BagMissing{Bag: b, Place: "L", Reason: "not in the car"}},
		{"bags_lent", "Lent to Hill Road Equine: bag B (Foal plasma, batch H-2207)", "", &pb.BagsLent{Bags: []string{b}, ToPractice: "Hill Road Equine"}},
		{"bags_lent", "Given back to Hill Road Equine: bag B (Foal plasma, batch H-2207)", "", &pb.BagsLent{Bags: []string{b}, ToPractice: "Hill Road Equine", GivenBack: true}},
		{"temperature_read", "Temperature -19.5 °C, least -21.2 °C, most -17 °C, L", "", &pb.TemperatureRead{Place: "L", NowDc: -195, LeastDc: n(-212), MostDc: n(-170)}},
		{"place_warm", "", "Warm or off from 13:00 on 24 Nov 2026 to 16:30 on 24 Nov 2026: L, most -3 °C, 'lid open'.", &pb.PlaceWarm{Place: "L", From: at(2, 0), To: at(5, 30), MostDc: n(-30), Reason: "lid open"}},
		{"quarantine_decided", "May be used: bag B (Foal plasma, batch H-2207), 'stayed solid'", "", &pb.QuarantineDecided{Bags: []string{b}, Reason: "stayed solid"}},
		{"quarantine_decided", "", "Not to be used: bag B (Foal plasma, batch H-2207), 'soft'.", &pb.QuarantineDecided{Bags: []string{b}, Unfit: true, Reason: "soft"}},
		{"thaw_started", "Into the water bath at 37 °C, 12 L of water, bag B (Foal plasma, batch H-2207), the foal", "", &pb.ThawStarted{Bag: b, Case: c, BathDc: n(370), WaterLX10: n(120)}},
		{"bath_measured", "Water bath at 34.5 °C, bag B (Foal plasma, batch H-2207)", "", &pb.BathMeasured{Bag: b, BathDc: 345}},
		{"bag_thawed", "Thawed, by eye and hand, bag at 33.5 °C, bag B (Foal plasma, batch H-2207)", "", &pb.BagThawed{Bag: b, BagDc: n(335)}},
		{"bag_softened", "", "It went soft: bag B (Foal plasma, batch H-2207), 'lid left open'.", &pb.BagSoftened{Bag: b, Reason: "lid left open"}},
		{"bag_refrozen", "", "It went back into the freezer after it had been soft or thawed: bag B (Foal plasma, batch H-2207).", &pb.BagRefrozen{Bag: b}},
		{"bag_discarded", "Thrown away, rest of the bag, bag B (Foal plasma, batch H-2207), 140 mL, 'after the stop'", "", &pb.BagDiscarded{Bag: b, Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: n(140), Text: "after the stop"}},
		{"bag_returned", "Put back into the fridge, L, 4 °C, bag B (Foal plasma, batch H-2207)", "", &pb.BagReturned{Bag: b, To: pb.ReturnTo_RETURN_TO_FRIDGE, Place: "L", KeptAtDc: n(40)}},
		{"bag_returned", "Sent back to the maker: bag B (Foal plasma, batch H-2207)", "", &pb.BagReturned{Bag: b, To: pb.ReturnTo_RETURN_TO_MAKER}},
		{"bag_kept_back", "Kept back for the laboratory: bag B (Foal plasma, batch H-2207), 'reaction', L", "", &pb.BagKeptBack{Bag: b, Reason: "reaction", Place: "L"}},
		{"batch_held", "", "On hold: P, batch H2207, 'the maker called: two reactions', reference M-9.", &pb.BatchHeld{Product: "P", Batch: "H2207", Reason: "the maker called: two reactions", MakerReference: "M-9"}},
		{"batch_recalled", "", "Recalled: P, batch H2207, 'maker recall'.", &pb.BatchRecalled{Product: "P", Batch: "H2207", Reason: "maker recall"}},
		{"batch_released", "Hold released: P, batch H2207, 'maker cleared it'", "", &pb.BatchReleased{Product: "P", Batch: "H2207", Reason: "maker cleared it"}},
		{"kit_stocked", "4 × filtered set added to L, lot S12, expiry 2028-01", "", &pb.KitStocked{Place: "L", Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 4, Lot: "S12", Expiry: "2028-01"}},
		{"kit_used", "1 × 16 G catheter taken from L, the foal", "", &pb.KitUsed{Place: "L", Item: pb.KitItem_KIT_ITEM_CATHETER_16G, Count: 1, Case: c}},
		{"kit_counted", "3 × filtered set counted in L", "The books said 4.", &pb.KitCounted{Place: "L", Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Counted: 3, Expected: 4}},

		{"note_added", "Note: case C, the foal, 'mare kicks'", "", &pb.NoteAdded{EntityKind: "case", Entity: c, Text: &pb.Sealed{Plain: "mare kicks"}}},
		{"note_added", "Note: case C, the foal, '(sealed: the key is not on this laptop)'", "", &pb.NoteAdded{EntityKind: "case", Entity: c, Text: &pb.Sealed{KeyId: make([]byte, 16), Nonce: make([]byte, 24), Ciphertext: make([]byte, 16)}}},
		{"corrected", "Corrected: 'a digit too many'", "", &pb.Corrected{Reason: "a digit too many"}},
		{"corrected", "It never happened: 'typed on the wrong case'", "", &pb.Corrected{Void: true, Reason: "typed on the wrong case"}},
		{"linked", "One and the same: bag B, and bag D: 'two stickers'", "", &pb.Linked{Kind: "bag", First: b, Second: d, Reason: "two stickers"}},
		{"unlinked", "Not the same after all: bag B, and bag D: 'two bags after all'", "", &pb.Linked{Kind: "bag", First: b, Second: d, Reason: "two bags after all"}},
		{"signed", "2 entries signed", "", &pb.Signed{Records: []string{"1", "2"}}},
		{"discrepancy_explained", "Explained, found bag, bag B, 'left by the night shift'", "", &pb.DiscrepancyExplained{Kind: "found_bag", EntityKind: "bag", Entity: b, Text: "left by the night shift"}},
		{"practice_founded", "Practice begun, Alder Creek Equine, Australia/Sydney, AUD, owner M. Alder", "", &pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"}},
		{"practice_changed", "Practice changed: name Alder Creek and Hill Road, reason merged", "", &pb.PracticeChanged{Name: "Alder Creek and Hill Road", Reason: "merged"}},
		{"place_added", "Place named, north car (vehicle freezer)", "", &pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}},
		{"place_added", "Place named, clinic (freezer), -18 °C or colder, not under -40 °C, read every 24 h", "", &pb.PlaceAdded{Name: "clinic", Kind: pb.PlaceKind_PLACE_KIND_FREEZER, WarmestDc: n(-180), ColdestDc: n(-400), ReadEveryH: n(24)}},
		{"vehicle_added", "Vehicle named, north car, AB 12", "", &pb.VehicleAdded{Name: "north car", Registration: "AB 12"}},
		{"person_added", "Person named, J. Reed, registration V 1234", "", &pb.PersonAdded{Name: "J. Reed", Registration: "V 1234"}},
		{"role_granted", "J. Reed is vet, owner", "", &pb.RoleGranted{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET, pb.Role_ROLE_OWNER}}},
		{"settings_changed", "Setting recheck hours is 24", "", &pb.SettingsChanged{Name: "recheck_hours", Value: "24"}},
		{"bags_pulled", "Set apart for a recall: bag B (Foal plasma, batch H-2207), 'red box'", "", &pb.BagsPulled{Bags: []string{b}, Text: "red box"}},
		{"client_called", "Client called: about Foal plasma, batch H-2207, 'foal is well'", "", &pb.ClientCalled{Case: c, Reached: true, Product: "Foal plasma", Batch: "H-2207", Text: "foal is well"}},
		{"month_closed", "Month 2026-11 closed, 'counted'", "", &pb.MonthClosed{Month: "2026-11", Note: "counted"}},
		{"price_set", "Price set: Bag of Foal plasma, 380.05 AUD, from 15:00 on 24 Nov 2026", "", &pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_BAG, Product: "Foal plasma", PriceMinor: proto.Int64(380_05), HoldsFrom: at(4, 0)}},
		{"tax_set", "Tax set: GST, 8.25 %", "", &pb.TaxSet{Name: "GST", RateBp: n(825)}},
		{"charge_added", "Charge added: ferry, 2 times, -30.00 AUD each, 'paid by us'", "", &pb.ChargeAdded{Case: c, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "ferry", Count: n(2), PriceMinor: proto.Int64(-30_00), Reason: "paid by us"}},
		{"charge_changed", "Charge changed: bag/B, 280.00 AUD each, 'half of it ran'", "", &pb.ChargeChanged{Case: c, Line: "bag/B", PriceMinor: proto.Int64(280_00), Reason: "half of it ran"}},
		{"charge_taken_off", "Charge taken off: bag/B, 'a gift'", "", &pb.ChargeTakenOff{Case: c, Line: "bag/B", Reason: "a gift"}},
		{"charge_explained", "Why it came to another amount than was agreed: 'a second bag'", "", &pb.ChargeExplained{Case: c, Text: "a second bag"}},
		{"case_invoiced", "Invoiced, number 2026-114, 2026-11-30", "", &pb.CaseInvoiced{Case: c, Number: "2026-114", On: "2026-11-30"}},
		{"mare_due", "Mare due: name Quiet Harbour, breed thoroughbred, served 2026-01-15, yard Hill Farm, place L", "", &pb.MareDue{Name: "Quiet Harbour", Breed: "thoroughbred", ServedOn: "2026-01-15", Yard: "Hill Farm", Place: "L"}},
		{"bags_ordered", "Bags ordered: product Foal plasma, count 6, supplier Wattle Biologics", "", &pb.BagsOrdered{Product: "Foal plasma", Count: 6, Supplier: "Wattle Biologics"}},
		{"protocol_set", "Protocol set: target 8 g/L, ceiling 20 mL/kg/h, checked by K. Low", "", &pb.ProtocolSet{Name: "newborn foal", TargetIggCgPerL: n(800), CeilingMlPerKgPerH: n(20), CheckedBy: "K. Low"}},
		{"product_card", "Product card: name Foal plasma, maker Wattle Biologics, route vein, volume 950 mL, least IgG 18 g/L", "", &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, VolumeMl: n(950), LeastIggCgPerL: n(1800)}},
		{"donor_recorded", "Donor recorded: name Bess, IgG 18 g/L, antibody result negative", "", &pb.DonorRecorded{Name: "Bess", IggCgPerL: n(1800), AntibodyResult: pb.ScreenResult_SCREEN_RESULT_NEGATIVE}},
		{"product_coded", "Number 09501101530003 stands for Foal plasma", "", &pb.ProductCoded{Product: "Foal plasma", Gtin: "09501101530003"}},
		{"client_added", "Client entered", "", &pb.ClientAdded{}},
		{"client_forgotten", "Client forgotten: 'asked for by the client'", "", &pb.ClientForgotten{Reason: "asked for by the client"}},
		{"person_reached", "Telephone of M. Alder entered", "", &pb.PersonReached{Person: "M. Alder"}},
		{"device_added", "Laptop joined, south laptop", "", &pb.DeviceAdded{Name: "south laptop"}},
		{"server_restored", "Server restored, clinic", "", &pb.ServerRestored{Name: "clinic"}},
		{"rights_revoked", "Rights ended: 'laptop stolen'", "", &pb.RightsRevoked{Reason: "laptop stolen", Grant: "9f"}},
		{"log_admitted", "Records let in after all: 'recovered laptop'", "", &pb.LogAdmitted{Reason: "recovered laptop"}},
		{"log_opened", "A laptop's log begins: north laptop", "", &pb.LogOpened{DeviceName: "north laptop"}},
		{"heard", "A hold was heard of: P, batch H2207", "", &pb.Heard{Product: "P", Batch: "H2207"}},
		{"records_lost", "", "The records 3 to 5 of this log are lost.", &pb.RecordsLost{From: 3, To: 5}},
		{"copies_met", "", "Two copies of one data folder were met: north laptop.", &pb.CopiesMet{DeviceName: "north laptop"}},
		{"saved_again", "Saved again after damage", "", &pb.SavedAgain{}},
		{"hub_statement", "Statement 12 of the clinic's server", "", &pb.HubStatement{Number: 12}},
	}
}

// TestTales tells each event as a dated list tells it to whoever does not know what it
// is about.
func TestTales(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	short := strings.NewReplacer(label.BagNumber(bags[0]).String(), "B", label.BagNumber(bags[1]).String(), "D", id, "C", "foal of Quiet Harbour (filly, bay, star, box 4)", "the foal")
	told := map[string]bool{}
	require.NoError(t, query.Reader{Replica: d.Replica}.View(t.Context(), func(b *query.ReadView) error {
		for _, c := range tales(id, bags[0], bags[1]) {
			typ := typeOf(t, c.name)
			tale := b.Tell(event.Key{}, typ, c.m, at(2, 15).UnixMs)
			assert.Equal(t, c.text, short.Replace(tale.Text), c.name)
			assert.Equal(t, c.wrong, short.Replace(tale.Wrong), c.name)
			told[c.name] = true
		}
		return nil
	}))
	for _, s := range event.All() {
		assert.True(t, told[s.Name], "no golden sentence tells %s", s.Name)
	}
}

func typeOf(t *testing.T, name string) event.Type {
	for _, s := range event.All() {
		if s.Name == name {
			return s.Type
		}
	}
	t.Fatalf("no event is called %s", name)
	return 0
}

// TestAListDoesNotNameWhatItIsAbout tells entries in the lists of a case and of a bag;
// a note shows its words wherever it is told.
func TestAListDoesNotNameWhatItIsAbout(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.CatheterPlaced{Case: id, Gauge: 16, Site: "left jugular"})
	d.Must(&pb.ThawStarted{Bag: bags[0], Case: id, BathDc: n(370)})
	d.Must(&pb.BagThawed{Bag: bags[0]})
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	answer := d.Must(&pb.NoteAdded{EntityKind: "case", Entity: id, Text: &pb.Sealed{Plain: "mare kicks"}})
	require.Equal(t, "Note: case "+id+", foal of Quiet Harbour (filly, bay, star, box 4), 'mare kicks'.", answer.Text)

	sheet, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	bag := "bag " + label.BagNumber(bags[0]).String() + " (Foal plasma, batch H-2207)"
	require.Equal(t, []string{
		"Case opened: foal of Quiet Harbour (filly, bay, star, box 4), born 14:00 on 24 Nov 2026",
		"Catheter of 16 G in, left jugular", "Into the water bath at 37 °C, " + bag,
		"Checked before the set goes in: all nine right, " + bag, "Plasma started: " + bag + ", left jugular", "Note: 'mare kicks'",
	}, whats(sheet.Timeline))
	life, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	foal := "foal of Quiet Harbour (filly, bay, star, box 4)"
	require.Equal(t, []string{
		"3 bags received into north car: Foal plasma, batch H-2207, expiry 2028-03, 950 mL each", "Into the water bath at 37 °C, " + foal,
		"Thawed, by eye and hand", "Checked before the set goes in: all nine right, " + foal, "Plasma started: " + foal + ", left jugular",
	}, whats(life.Timeline))
}

func whats(rows []*pb.TimelineRow) (out []string) {
	for _, r := range rows {
		out = append(out, r.What)
	}
	return out
}
