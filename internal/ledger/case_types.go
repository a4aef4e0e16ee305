package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Patient says who is treated.
type Patient struct {
	_            struct{} `cbor:",toarray"`
	Stamp        Stamp
	Kind         pb.PatientKind
	DamName      string
	DamChip      string
	DamUeln      string
	DamKey       string
	Name         string
	Chip         string
	Sex          pb.Sex
	Colour       string
	Markings     string
	Box          string
	Yard         string
	BornMs       int64 // 0 when not told
	Twin         string
	NeckBand     string
	Client       string
	GestationD   *int32
	ClockChecked bool
	YardSealed   *SealedFor // where Yard is empty; so with all words of a client
}

func patientOf(f *fact, p *pb.CaseOpened) *Patient {
	return &Patient{
		Stamp: f.stamp(), Kind: p.Kind, DamName: p.DamName, DamChip: p.DamChip, DamUeln: p.DamUeln,
		DamKey: p.DamKey, Name: p.PatientName, Chip: p.PatientChip, Sex: p.Sex, Colour: p.Colour,
		Markings: p.Markings, Box: p.Box, Yard: p.Yard, BornMs: p.BornAt.GetUnixMs(), Twin: p.Twin,
		NeckBand: p.NeckBand, Client: p.Client, GestationD: copied(p.GestationD), ClockChecked: p.ClockChecked,
		YardSealed: sealedFor(p),
	}
}

// Risk is the answers on isoerythrolysis.
type Risk struct {
	_                   struct{} `cbor:",toarray"`
	Stamp               Stamp
	JaundicedFoalBefore pb.Answer
	PositiveScreen      pb.Answer
	DonkeySire          pb.Answer
	YellowOrRedUrine    pb.Answer
}

func riskOf(at Stamp, p *pb.RiskAsked) Risk {
	return Risk{
		Stamp: at, JaundicedFoalBefore: p.JaundicedFoalBefore, PositiveScreen: p.PositiveScreen,
		DonkeySire: p.DonkeySire, YellowOrRedUrine: p.YellowOrRedUrine,
	}
}

// Exam is what was found.
type Exam struct {
	_              struct{} `cbor:",toarray"`
	Stamp          Stamp
	TemperatureDc  *int32
	HeartRate      *int32
	BreathingRate  *int32
	GlucoseUmolPer *int32 // 0.001 mmol/L
	Signs          []string
	Text           string
	ProteinDgPerL  *int32 // total protein, 0.1 g/L
	PcvPm          *int32 // packed cell volume, 0.1 %
	LactateUmolPer *int32 // 0.001 mmol/L
}

func examOf(at Stamp, p *pb.PatientExamined) Exam {
	return Exam{
		Stamp: at, TemperatureDc: copied(p.TemperatureDc), HeartRate: copied(p.HeartRate),
		BreathingRate: copied(p.BreathingRate), GlucoseUmolPer: copied(p.GlucoseUmolPerL),
		Signs: slices.Clone(p.Signs), Text: p.Text, ProteinDgPerL: copied(p.TotalProteinDgPerL),
		PcvPm: copied(p.PcvPm), LactateUmolPer: copied(p.LactateUmolPerL),
	}
}

// Crossmatch of a bag's donor and the patient.
type Crossmatch struct {
	_            struct{} `cbor:",toarray"`
	Stamp        Stamp
	Bag          string
	Minor, Major pb.MatchResult
	Laboratory   string
	PatientType  string
}

func crossmatchOf(at Stamp, p *pb.CrossmatchNoted) Crossmatch {
	return Crossmatch{Stamp: at, Bag: p.Bag, Minor: p.Minor, Major: p.Major, Laboratory: p.Laboratory, PatientType: p.PatientType}
}

// FoodStatus says whether the horse may ever be eaten.
type FoodStatus struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Status   pb.FoodChain
	Passport string
}

// Journey of bags in a box without a compressor, for this case.
type Journey struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Bags    []string
	Coolant pb.Coolant
	Minutes int32
	BoxDc   *int32 // the warmest in it, in 0.1 C
	Feel    pb.BagFeel
}

func journeyOf(at Stamp, p *pb.BagsCarried) Journey {
	return Journey{Stamp: at, Bags: slices.Clone(p.Bags), Coolant: p.Coolant, Minutes: p.Minutes, BoxDc: copied(p.BoxDc), Feel: p.Feel}
}

// Weight of the patient.
type Weight struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	WeightG int32
	Method  pb.WeightMethod
	LowG    *int32
	HighG   *int32
	GirthMm *int32
}

func weightOf(at Stamp, p *pb.PatientWeighed) Weight {
	return Weight{
		Stamp: at, WeightG: p.WeightG, Method: p.Method,
		LowG: copied(p.LowG), HighG: copied(p.HighG), GirthMm: copied(p.GirthMm),
	}
}

// IggTest is a value, a band or a side of a cut, in 0.01 g/L.
type IggTest struct {
	_              struct{} `cbor:",toarray"`
	Stamp          Stamp
	Recheck        bool // after plasma
	Kind           string
	IggCgPerL      *int32
	BandLowCgPerL  *int32
	BandHighCgPerL *int32
	CutCgPerL      *int32
	Side           pb.CutSide
	NeverSucked    bool
	SampledMs      int64 // 0 when not told
}

func iggOf(at Stamp, p *pb.IggTested, recheck bool) IggTest {
	return IggTest{
		Stamp: at, Recheck: recheck, Kind: p.Kind, IggCgPerL: copied(p.IggCgPerL),
		BandLowCgPerL: copied(p.BandLowCgPerL), BandHighCgPerL: copied(p.BandHighCgPerL),
		CutCgPerL: copied(p.CutCgPerL), Side: p.Side, NeverSucked: p.NeverSucked,
		SampledMs: p.SampledAt.GetUnixMs(),
	}
}

// Colostrum that the foal received.
type Colostrum struct {
	_                 struct{} `cbor:",toarray"`
	Stamp             Stamp
	Source            string
	VolumeMl          int32
	BrixD             *int32 // 0.1 %
	SpecificGravityE3 *int32
	Route             string
	UdderRunningMilk  bool
}

func colostrumOf(at Stamp, p *pb.ColostrumGiven) Colostrum {
	return Colostrum{
		Stamp: at, Source: p.Source, VolumeMl: p.VolumeMl, BrixD: copied(p.BrixD),
		SpecificGravityE3: copied(p.SpecificGravityE3), Route: p.Route, UdderRunningMilk: p.UdderRunningMilk,
	}
}

// Referral that was offered, and the answer.
type Referral struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Reasons []string
	Answer  pb.ReferralAnswer
	By      string // whoever answered, as typed; empty where it was the client
	Client  string
	// BySealed is By where the case has a client.
	BySealed *SealedFor
}

// Estimate that was agreed, in minor units of the practice's currency.
type Estimate struct {
	_              struct{} `cbor:",toarray"`
	Stamp          Stamp
	AmountMinor    *int64
	UnusedBagMinor *int64
	By             string // whoever agreed, as typed; empty where it was the client
	Client         string
	How            string
	Currency       string // of the practice then; empty in an entry of an older program
	BySealed       *SealedFor
}

func estimateOf(at Stamp, p *pb.EstimateAgreed) Estimate {
	return Estimate{
		Stamp: at, AmountMinor: copied(p.AmountMinor), UnusedBagMinor: copied(p.UnusedBagMinor),
		By: p.By, Client: p.Client, How: p.How, Currency: p.Currency,
		BySealed: sealedFor(p),
	}
}

// Plan that was accepted as it was shown.
type Plan struct {
	_              struct{} `cbor:",toarray"`
	Stamp          Stamp
	Plan           string // dose, drip, thaw
	VolumeMl       int32
	Bags           []string
	PlateauMlPerH  *int32
	DropsPerMl     *int32
	Inputs, Result string // JSON as shown
	Versions       []string
	EngineVersion  string
	Overrides      []Override
}

// Override is a caution that the author went past.
type Override struct {
	_      struct{} `cbor:",toarray"`
	Code   string
	Reason string
}

func planOf(f *fact, at Stamp, p *pb.PlanAccepted) Plan {
	plan := Plan{
		Stamp: at, Plan: p.Plan, VolumeMl: p.VolumeMl, Bags: slices.Clone(p.Bags),
		PlateauMlPerH: copied(p.PlateauMlPerH), DropsPerMl: copied(p.DropsPerMl),
		Inputs: p.Inputs, Result: p.Result, Versions: slices.Clone(p.Versions),
		EngineVersion: f.rec.Head.EngineVersion,
	}
	for _, o := range f.rec.Head.Overrides {
		plan.Overrides = append(plan.Overrides, Override{Code: o.GetCode(), Reason: o.GetReason()})
	}
	return plan
}

// BathCheck is the check before the bath. A late stamp means: done then, entered
// afterwards.
type BathCheck struct {
	_                   struct{} `cbor:",toarray"`
	Stamp               Stamp
	Bag                 string
	LabelRead           bool
	BatchAndExpiryMatch bool
	BagWhole            bool
	NoHoldKnown         bool
	IggKnownOrWaived    bool
	AgreementGiven      bool
	Text                string
}

func bathCheckOf(at Stamp, p *pb.BathChecked) BathCheck {
	return BathCheck{
		Stamp: at, Bag: p.Bag, LabelRead: p.LabelRead, BatchAndExpiryMatch: p.BatchAndExpiryMatch,
		BagWhole: p.BagWhole, NoHoldKnown: p.NoHoldKnown, IggKnownOrWaived: p.IggKnownOrWaived,
		AgreementGiven: p.AgreementGiven, Text: p.Text,
	}
}

// HangCheck is the check before the set goes in.
type HangCheck struct {
	_                   struct{} `cbor:",toarray"`
	Stamp               Stamp
	Bag                 string
	PatientConfirmed    bool
	SameBag             bool
	FullyThawed         bool
	ClearNoClots        bool
	WholeWhenSqueezed   bool
	BagDc               *int32
	FilteredSet         bool
	SpareSet            bool
	ReactionCardInReach bool
	BaselineVitals      bool
	Text                string
}

func hangCheckOf(at Stamp, p *pb.HangChecked) HangCheck {
	return HangCheck{
		Stamp: at, Bag: p.Bag, PatientConfirmed: p.PatientConfirmed, SameBag: p.SameBag,
		FullyThawed: p.FullyThawed, ClearNoClots: p.ClearNoClots, WholeWhenSqueezed: p.WholeWhenSqueezed,
		BagDc: copied(p.BagDc), FilteredSet: p.FilteredSet, SpareSet: p.SpareSet,
		ReactionCardInReach: p.ReactionCardInReach, BaselineVitals: p.BaselineVitals, Text: p.Text,
	}
}

// Catheter put in or taken out.
type Catheter struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Removed  bool
	Gauge    int32
	Site     string
	LengthMm *int32
	Text     string
}

// Vitals is one look at the patient during treatment.
type Vitals struct {
	_             struct{} `cbor:",toarray"`
	Stamp         Stamp
	TemperatureDc *int32
	HeartRate     *int32
	BreathingRate *int32
	GivenMl       *int32 // read off the bag
	Baseline      bool
	Text          string
}

func vitalsOf(at Stamp, p *pb.VitalsNoted) Vitals {
	return Vitals{
		Stamp: at, TemperatureDc: copied(p.TemperatureDc), HeartRate: copied(p.HeartRate),
		BreathingRate: copied(p.BreathingRate), GivenMl: copied(p.GivenMl), Baseline: p.Baseline, Text: p.Text,
	}
}

// Reaction that was seen.
type Reaction struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Signs   []string
	Grave   bool
	Bag     string
	Product string
	Batch   string
}

func reactionOf(at Stamp, p *pb.ReactionNoted) Reaction {
	return Reaction{
		Stamp: at, Signs: slices.Clone(p.Signs), Grave: p.Grave, Bag: p.Bag, Product: p.Product, Batch: p.Batch,
	}
}

// nameReactions says of each reaction which bag it followed, by the transfusions as they
// stand: the program filled in the bag when it was typed, and what was told of the bags
// may have been corrected since.
func (c *Case) nameReactions() {
	for i := range c.Reactions {
		r := &c.Reactions[i]
		if t := c.RanAt(r.Stamp.AtMs, r.Bag); t != nil && t.Bag != r.Bag {
			r.Bag, r.Product, r.Batch = t.Bag, t.Product, t.Batch
		}
	}
}

// RanAt is the transfusion at a moment, else the last one that had been begun by then,
// else the one that was named, else the first; nil when there is none.
func (c *Case) RanAt(ms int64, named string) *Transfusion {
	var last *Transfusion
	for i := range c.Transfusions {
		switch t := &c.Transfusions[i]; {
		case t.FirstMs() > ms:
		case t.Running || ms <= t.LastMs():
			return t
		case last == nil || t.FirstMs() >= last.FirstMs():
			last = t
		}
	}
	if last == nil {
		last = c.Transfused(named)
	}
	if last == nil && len(c.Transfusions) > 0 {
		last = &c.Transfusions[0]
	}
	return last
}

// ReactionDetail is a reaction as it was described afterwards.
type ReactionDetail struct {
	_         struct{} `cbor:",toarray"`
	Stamp     Stamp
	Kind      pb.ReactionKind
	Grade     pb.ReactionGrade
	OnsetMin  *int32
	OnsetMl   *int32
	Treatment string
	CheckedBy string
	Course    string
	EndedMs   int64
}

func reactionDetailOf(at Stamp, p *pb.ReactionDescribed) ReactionDetail {
	return ReactionDetail{
		Stamp: at, Kind: p.Kind, Grade: p.Grade, OnsetMin: copied(p.OnsetMin), OnsetMl: copied(p.OnsetMl),
		Treatment: p.Treatment, CheckedBy: p.CheckedBy, Course: p.Course, EndedMs: p.EndedAt.GetUnixMs(),
	}
}

// Following is who does what is due after plasma, or why it is left.
type Following struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	What   pb.FollowUp
	Person string
	Reason string
}

// Call is a call to the client about the plasma that was given.
type Call struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Reached bool // somebody answered
	Product string
	Batch   string
}

// Drug given.
type Drug struct {
	_               struct{} `cbor:",toarray"`
	Stamp           Stamp
	Drug            string
	DoseUg          int32
	StrengthUgPerMl int32
	Route           string
	CheckedBy       string
	RepeatMin       *int32 // after so many minutes it may be given again
}

func drugOf(at Stamp, p *pb.DrugGiven) Drug {
	return Drug{
		Stamp: at, Drug: p.Drug, DoseUg: p.DoseUg, StrengthUgPerMl: p.StrengthUgPerMl,
		Route: p.Route, CheckedBy: p.CheckedBy, RepeatMin: copied(p.RepeatMin),
	}
}

// Fluid is other fluid by vein.
type Fluid struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Fluid    string
	VolumeMl int32
}

// RecheckPlan names who tests the IgG again.
type RecheckPlan struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Person string
	DueMs  int64 // 0: the practice's hours after the end
}

// Adverse event, considered or reported.
type Adverse struct {
	_          struct{} `cbor:",toarray"`
	Stamp      Stamp
	Reported   bool // written as a report
	Event      string
	ReportMade bool
	To         string
	Reference  string
	Text       string
}

func adverseOf(at Stamp, p *pb.AdverseEvent, reported bool) Adverse {
	return Adverse{
		Stamp: at, Reported: reported, Event: p.Event, ReportMade: p.ReportMade || reported,
		To: p.To, Reference: p.Reference, Text: p.Text,
	}
}

// AdverseDetail is what a report asks for besides.
type AdverseDetail struct {
	_                       struct{} `cbor:",toarray"`
	Stamp                   Stamp
	Kind                    pb.AdverseKind
	Breed                   string
	Treated, Affected, Dead *int32
	PreviousExposure        string
	Assessment              string
	OffLabel                string
	Person                  string
	Codes                   []string
}

func adverseDetailOf(at Stamp, p *pb.AdverseDetail) AdverseDetail {
	return AdverseDetail{
		Stamp: at, Kind: p.Kind, Breed: p.Breed, Treated: copied(p.Treated), Affected: copied(p.Affected), Dead: copied(p.Dead),
		PreviousExposure: p.PreviousExposure, Assessment: p.Assessment, OffLabel: p.OffLabel, Person: p.Person, Codes: slices.Clone(p.Codes),
	}
}

// Closing of the case.
type Closing struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Outcome pb.Outcome
	Reason  string
}
