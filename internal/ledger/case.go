package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Case is the treatment of one patient. Lists are in happened order.
type Case struct {
	_ struct{} `cbor:",toarray"`
	Common
	Patient *Patient // last word; nil while the opening is not here

	Risk      []Risk
	Exams     []Exam
	Weights   []Weight
	IggTests  []IggTest // before and after plasma
	Colostrum []Colostrum
	Referrals []Referral
	Estimates []Estimate
	Plans     []Plan

	Crossmatches []Crossmatch
	FoodChain    []FoodStatus
	Journeys     []Journey

	BathChecks []BathCheck
	HangChecks []HangCheck
	Catheters  []Catheter
	Thaws      []CaseBag // bags put into the bath for this case
	Sets       []CaseBag // sets attached for this case

	Transfusions []Transfusion // one for each bag, by their start
	Rates        []Rate
	Flows        []Flow
	Vitals       []Vitals
	Reactions    []Reaction
	Details      []ReactionDetail
	Drugs        []Drug
	Fluids       []Fluid
	Kit          []CaseKit
	Handovers    []Handover
	Adoptions    []Adoption

	Calls        []Call
	Followed     []Following
	RecheckPlans []RecheckPlan
	Adverse      []Adverse
	AdverseMore  []AdverseDetail
	Closings     []Closing

	Charges      []ChargeWord // as they were written
	Invoices     []Invoice    // as they were written
	ChargeReason *ChargeReason

	Running  bool  // a bag was started and not ended
	Clamped  bool  // and the clamp is shut
	PlasmaMl int32 // given: of ended bags what was told, of a running one as last read
	FluidMl  int32 // other fluids by vein
	UnseenMl int32 // of PlasmaMl, from earlier bags of which only a code told
}

// Outcome is the last word on how the case ended.
func (c *Case) Outcome() pb.Outcome {
	if n := len(c.Closings); n > 0 {
		return c.Closings[n-1].Outcome
	}
	return pb.Outcome_OUTCOME_UNSPECIFIED
}

// Foal says that the patient is a foal. Of a patient whose opening is not here
// nothing is assumed.
func (c *Case) Foal() bool {
	return c.Patient != nil && c.Patient.Kind == pb.PatientKind_PATIENT_KIND_FOAL
}

// Adult says that the patient is known to be no foal.
func (c *Case) Adult() bool { return c.Patient != nil && !c.Foal() }

// Rechecked says that what plasma was given for was tested again: the IgG, or the
// total protein of an adult.
func (c *Case) Rechecked() bool {
	if slices.ContainsFunc(c.IggTests, func(t IggTest) bool { return t.Recheck }) {
		return true
	}
	return c.Adult() && c.Protein(true) != nil
}

// Protein is the last look with a total protein, before plasma ended or after it.
func (c *Case) Protein(after bool) *Exam {
	end := c.LastEndMs()
	for i := len(c.Exams) - 1; i >= 0; i-- {
		e := &c.Exams[i]
		if e.ProteinDgPerL != nil && (end != 0 && e.Stamp.AtMs >= end) == after {
			return e
		}
	}
	return nil
}

func foldCase(s *set) State {
	c := &Case{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.CaseOpened); ok {
			c.Patient = patientOf(f, p)
		}
		c.charged(f)
	}
	for _, f := range s.story {
		if p, ok := f.body.(*pb.CaseAdopted); ok {
			c.adopt(s, f, p)
		} else if !c.before(f) && !c.treating(f) {
			c.after(f)
		}
	}
	c.standIn()
	c.total()
	c.nameReactions()
	c.Common = s.common()
	return c
}

// HasSealedWords says that words about a client stand in the case under the client's key.
func (c *Case) HasSealedWords() bool {
	return slices.ContainsFunc(c.sealedWords(), func(s *SealedFor) bool { return s != nil })
}

// sealedWords are those about clients.
func (c *Case) sealedWords() (out []*SealedFor) {
	if c.Patient != nil {
		out = append(out, c.Patient.YardSealed)
	}
	for i := range c.Referrals {
		out = append(out, c.Referrals[i].BySealed)
	}
	for i := range c.Estimates {
		out = append(out, c.Estimates[i].BySealed)
	}
	return out
}

// before takes what comes before plasma.
func (c *Case) before(f *fact) bool {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.RiskAsked:
		c.Risk = append(c.Risk, riskOf(at, p))
	case *pb.PatientExamined:
		c.Exams = append(c.Exams, examOf(at, p))
	case *pb.PatientWeighed:
		c.Weights = append(c.Weights, weightOf(at, p))
	case *pb.IggTested:
		c.IggTests = append(c.IggTests, iggOf(at, p, f.typ == typeIggRechecked))
	case *pb.ColostrumGiven:
		c.Colostrum = append(c.Colostrum, colostrumOf(at, p))
	case *pb.ReferralOffered:
		c.Referrals = append(c.Referrals, Referral{Stamp: at, Reasons: slices.Clone(p.Reasons), Answer: p.Answer, By: p.By, Client: p.Client, BySealed: sealedFor(p)})
	case *pb.EstimateAgreed:
		c.Estimates = append(c.Estimates, estimateOf(at, p))
	case *pb.PlanAccepted:
		c.Plans = append(c.Plans, planOf(f, at, p))
	case *pb.BathChecked:
		c.BathChecks = append(c.BathChecks, bathCheckOf(at, p))
	case *pb.HangChecked:
		c.HangChecks = append(c.HangChecks, hangCheckOf(at, p))
	default:
		return c.around(f)
	}
	return true
}

// around takes what is about the horse's papers and about the bags on their way.
func (c *Case) around(f *fact) bool {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.CrossmatchNoted:
		c.Crossmatches = append(c.Crossmatches, crossmatchOf(at, p))
	case *pb.FoodChainTold:
		c.FoodChain = append(c.FoodChain, FoodStatus{Stamp: at, Status: p.Status, Passport: p.Passport})
	case *pb.BagsCarried:
		c.Journeys = append(c.Journeys, journeyOf(at, p))
	default:
		return false
	}
	return true
}

// treating takes what happens at the patient.
func (c *Case) treating(f *fact) bool {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.CatheterPlaced:
		c.Catheters = append(c.Catheters, Catheter{Stamp: at, Gauge: p.Gauge, Site: p.Site, LengthMm: copied(p.LengthMm)})
	case *pb.CatheterRemoved:
		c.Catheters = append(c.Catheters, Catheter{Stamp: at, Removed: true, Site: p.Site, Text: p.Text})
	case *pb.ThawStarted:
		c.Thaws = append(c.Thaws, CaseBag{Stamp: at, Bag: p.Bag})
	case *pb.SetAttached:
		c.Sets = append(c.Sets, CaseBag{Stamp: at, Bag: p.Bag})
	case *pb.TransfusionStarted:
		c.start(at, p)
	case *pb.TransfusionEnded:
		c.end(at, p, f.typ == typeFinished)
	case *pb.RateSet:
		c.Rates = append(c.Rates, Rate{Stamp: at, MlPerH: p.MlPerH, SlowStage: p.SlowStage, DropsPerMin: copied(p.DropsPerMin), Bag: p.Bag})
		c.ranOn(p.Bag, at.AtMs)
	case *pb.FlowChanged:
		c.flow(at, p, f.typ == typeClamped)
	case *pb.VitalsNoted:
		c.Vitals = append(c.Vitals, vitalsOf(at, p))
		c.read(p.GivenMl, "")
	case *pb.ReactionNoted:
		c.Reactions = append(c.Reactions, reactionOf(at, p))
	case *pb.ReactionDescribed:
		c.Details = append(c.Details, reactionDetailOf(at, p))
	case *pb.DrugGiven:
		c.Drugs = append(c.Drugs, drugOf(at, p))
	case *pb.FluidGiven:
		c.Fluids = append(c.Fluids, Fluid{Stamp: at, Fluid: p.Fluid, VolumeMl: p.VolumeMl})
	case *pb.KitUsed:
		c.Kit = append(c.Kit, CaseKit{Stamp: at, Place: p.Place, Item: p.Item, Count: p.Count})
	case *pb.HandedOver:
		c.Handovers = append(c.Handovers, handoverOf(at, p))
	default:
		return false
	}
	return true
}

// after takes what comes after plasma.
func (c *Case) after(f *fact) {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.ClientCalled:
		c.Calls = append(c.Calls, Call{Stamp: at, Reached: p.Reached, Product: p.Product, Batch: p.Batch})
	case *pb.FollowUpNoted:
		c.Followed = append(c.Followed, Following{Stamp: at, What: p.What, Person: p.Person, Reason: p.Reason})
	case *pb.RecheckPlanned:
		c.RecheckPlans = append(c.RecheckPlans, RecheckPlan{Stamp: at, Person: p.Person, DueMs: p.DueAt.GetUnixMs()})
	case *pb.AdverseEvent:
		c.Adverse = append(c.Adverse, adverseOf(at, p, f.typ == typeAdverseReported))
	case *pb.AdverseDetail:
		c.AdverseMore = append(c.AdverseMore, adverseDetailOf(at, p))
	case *pb.CaseClosed:
		c.Closings = append(c.Closings, Closing{Stamp: at, Outcome: p.Outcome, Reason: p.Reason})
	}
}
