package entry

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Cautions of entries. Facts are accepted with a caution; only what is surely a
// slip of the keyboard is refused. Limits marked ours are this program's own.
var (
	futureTime = caution.Define("future_time", caution.Reason,
		"%s lies %s ahead of this laptop's clock. Is the clock right? If an earlier day was meant, type the date too.")
	overLabel = caution.Define("more_than_label", caution.Caution,
		"%d mL is more than the %d mL on the label. Bags are often overfilled; check the number.")
	stoppedOver = caution.Define("stopped_over_label", caution.Caution,
		"%d mL is recorded as it was typed, though a bag gives %s. One digit too many, or two bags in one entry? Correct it with 'correct'.")
	overAccepted = caution.Define("more_than_accepted", caution.Caution,
		"%d mL is more than the %d mL that were accepted of this bag.")
	acceptedGiven = caution.Define("accepted_ml_given", caution.Caution,
		"%d mL are in: stop at the %d mL that were accepted of this bag.")
	dripOverDose = caution.Define("drip_over_dose", caution.Reason,
		"A rate for %d mL: the dose that was accepted is %d mL.")
	bathWarm = caution.Define("bath_warm", caution.Caution,
		"A water bath of %s C is over 40 C: antibody is lost in hot water. Aim for 30 to 37 C; lift the bag out before hot water goes in.")
	bathHot = caution.Define("bath_too_hot", caution.Caution,
		"This bag has been in water of %s C, over 45 C: it is quarantined until the vet decides.")
	bagNotFit = caution.Define("bag_not_fit", caution.Caution,
		"Bag %s: %s. The treating vet decides; the label comes first.")
	bagUnknown = caution.Define("bag_unknown", caution.Caution,
		"Bag %s is not known on this laptop. Enter it with 'bag found' when you can: batch, expiry and volume are not known here.")
	routeMouth = caution.Define("label_says_mouth", caution.Caution,
		"The label of %s says by mouth. Given by vein this is use outside the label.")
	noFilteredSet = caution.Define("no_filtered_set", caution.Note,
		"The books show no set with filter at %s. Plasma always runs through a filter.")
	noBaseline = caution.Define("no_baseline_vitals", caution.Note,
		"No baseline vitals are noted. Alarms compare with the patient's own baseline.")
	otherOpenCase = caution.Define("other_open_case", caution.Caution,
		"Case %s on the same dam is open already. Twins are two cases, A and B; the same foal is one.")
	damWithoutName = caution.Define("dam_not_named", caution.Note,
		"No dam is named. A newborn has no chip and no name: name the dam, or its chip, when you can.")
	oddWeight = caution.Define("weight_for_age", caution.Caution,
		"%s kg is unusual for a foal under 3 days (30 to 75 kg). Pony, draft, or pounds?")
	nearBatch = caution.Define("near_batch", caution.Caution,
		"Batch %s is one character away from batch %s that is known here. Read the label again.")
	sharedBag = caution.Define("bag_shared_with_twin", caution.Caution,
		"One bag for two foals: a new set for each, and the mL of each noted apart. What one foal carries can reach the other.")
	clockUnchecked = caution.Define("clock_not_checked", caution.Note,
		"Compare this laptop's clock with a watch: all times rest on it. It says %s.")
)

// slack is how far ahead of the clock a typed time may lie without a question.
const slack = 2 * time.Minute

// slipFactor: more than this multiple of the label's mL is a slip (ours).
const slipFactor = 1.5

// raise lists the cautions of an entry; an error is a refusal.
func (e *pending) raise() ([]caution.Raised, error) {
	var out []caution.Raised
	for _, at := range append([]time.Time{e.at}, e.typedTimes(false)...) {
		if ahead := at.Sub(e.b.Now()); ahead > slack {
			out = append(out, futureTime.With(at.In(e.b.Zone()).Format("2 Jan 2006 15:04"), wording.Ago(ahead)))
		}
	}
	more, err := e.raiseByType()
	return append(out, more...), err
}

func (e *pending) raiseByType() ([]caution.Raised, error) {
	b := e.b
	switch p := e.payload.(type) {
	case *pb.CaseOpened:
		return b.checkOpened(p)
	case *pb.PatientExamined:
		return b.checkExam(p, e.at)
	case *pb.CrossmatchNoted:
		return checkCrossmatch(p), nil
	case *pb.PriceSet, *pb.TaxSet, *pb.ChargeAdded, *pb.ChargeChanged, *pb.ChargeTakenOff:
		return nil, b.checkMoney(p, e.instead)
	case *pb.RiskAsked:
		return b.checkRisk(p, e.at)
	case *pb.ColostrumGiven:
		return b.checkColostrum(p, e.at)
	case *pb.PatientWeighed:
		return b.checkWeight(p, e.at)
	case *pb.ThawStarted:
		return b.checkThaw(p)
	case *pb.BathMeasured:
		return b.checkBath(p.Bag, p.BathDc)
	case *pb.BathChecked:
		return b.checkUse(p.Bag, p.Case, e.at)
	case *pb.HangChecked:
		return b.checkUse(p.Bag, p.Case, e.at)
	case *pb.PlanAccepted:
		return b.checkPlan(p, e.at)
	case *pb.TransfusionStarted:
		return b.checkStart(p, e.at)
	case *pb.RateSet:
		return b.checkRate(e, p)
	case *pb.VitalsNoted:
		return b.checkVitals(p, e.at)
	case *pb.FlowChanged:
		return b.checkFlow(p)
	case *pb.DrugGiven:
		return b.checkDrug(e, p)
	case *pb.FollowUpNoted:
		return nil, checkFollowUp(p)
	case *pb.IggTested:
		return nil, checkBand(p)
	case *pb.TransfusionEnded:
		return b.checkEnded(p, e.spec.Name == "finished")
	case *pb.CaseAdopted:
		return b.checkAdopted(p)
	}
	return e.raiseAboutStock()
}

// raiseAboutStock looks at entries about goods, places and the practice itself.
func (e *pending) raiseAboutStock() ([]caution.Raised, error) {
	b := e.b
	switch p := e.payload.(type) {
	case *pb.LabelUnreadable:
		return e.checkTorn(p)
	case *pb.BagsReceived:
		return b.checkReceived(p)
	case *pb.ProductCoded:
		return b.checkCoded(p)
	case *pb.BatchHeld:
		return b.checkBatch(p.Product, p.Batch, false)
	case *pb.BagsCarried:
		return b.checkCarried(p)
	case *pb.TemperatureRead:
		return b.checkReading(p)
	case *pb.DonorRecorded:
		return nil, b.checkDonor(p)
	case *pb.MareDue:
		return nil, b.checkMare(p)
	case *pb.PracticeFounded:
		return nil, b.checkFounding(p)
	case *pb.PracticeChanged:
		return b.checkChange(p)
	case *pb.SettingsChanged:
		return nil, b.checkSetting(e.author, p)
	}
	return nil, nil
}

// checkSetting refuses what is no setting. A vet who is neither owner nor of the clinic
// has a say in those alone that ask for a vet.
func (b view) checkSetting(author string, p *pb.SettingsChanged) error {
	if err := query.CheckSetting(p.Name, p.Value); err != nil {
		return err
	}
	if !query.OwnEstimate(p.Name) && !b.HasRole(author, pb.Role_ROLE_OWNER, pb.Role_ROLE_CLINIC) {
		return refusal.New("name", p.Name, "a setting for a vet to say: "+query.SettingOwnShare+" or "+query.SettingOwnThaws+"; the others are for the clinic or an owner")
	}
	return nil
}

// checkFounding refuses a second practice in one set of books.
func (b view) checkFounding(p *pb.PracticeFounded) error {
	if b.Practice() != nil {
		return refusal.Conflict("name", p.Name, "no practice yet; these books belong to "+b.Practice().Name)
	}
	return nil
}

func warmBath(dc int32) []caution.Raised {
	if dc > 400 {
		return []caution.Raised{bathWarm.With(wording.Tenths(dc))}
	}
	return nil
}

// checkOpened keeps a dam's chip from becoming her foal's, and tells of another
// open case on the same dam.
func (b view) checkOpened(p *pb.CaseOpened) ([]caution.Raised, error) {
	if p.Kind == pb.PatientKind_PATIENT_KIND_FOAL && p.PatientChip != "" {
		dam, err := query.Get[*ledger.Dam](b.ReadView, event.KindDam, event.DamKey(p.PatientChip, "", ""))
		if err != nil {
			return nil, err
		}
		if p.PatientChip == p.DamChip || dam != nil && len(dam.Cases) > 0 {
			return nil, refusal.Conflict("chip", p.PatientChip, "the foal's own chip; this one belongs to a dam").Because("a newborn has no chip: leave it empty")
		}
	}
	if p.Twin != "" && p.Twin != "A" && p.Twin != "B" {
		return nil, refusal.New("twin", p.Twin, "A or B")
	}
	var out []caution.Raised
	if p.Kind == pb.PatientKind_PATIENT_KIND_FOAL && p.DamKey == "" {
		out = append(out, damWithoutName.With())
	}
	if !p.ClockChecked {
		out = append(out, clockUnchecked.With(b.Now().In(b.Zone()).Format("15:04 on 2 Jan 2006")))
	}
	return b.otherOpen(out, p)
}

func (b view) otherOpen(out []caution.Raised, p *pb.CaseOpened) ([]caution.Raised, error) {
	if p.DamKey == "" {
		return out, nil
	}
	dam, err := query.Get[*ledger.Dam](b.ReadView, event.KindDam, p.DamKey)
	if err != nil || dam == nil {
		return out, err
	}
	for _, other := range dam.Cases {
		if other.Case == p.Case { // the one that is corrected
			continue
		}
		c, err := b.Case(other.Case)
		if err != nil {
			return nil, err
		}
		if c != nil && c.Open() && c.Patient != nil && c.Patient.Twin == p.Twin {
			out = append(out, otherOpenCase.With(other.Case))
		}
	}
	return out, nil
}

func (b view) checkWeight(p *pb.PatientWeighed, at time.Time) ([]caution.Raised, error) {
	if low, high := p.LowG, p.HighG; low != nil && *low > p.WeightG || high != nil && *high < p.WeightG {
		return nil, refusal.New("weight_kg", kilograms(p.WeightG), "a weight inside its own range")
	}
	c, err := b.Case(p.Case)
	if err != nil || c == nil || c.Patient == nil || c.Patient.Kind != pb.PatientKind_PATIENT_KIND_FOAL {
		return nil, err
	}
	young := c.Patient.BornMs == 0 || at.Sub(time.UnixMilli(c.Patient.BornMs)) < 72*time.Hour
	if young && (p.WeightG < 30_000 || p.WeightG > 75_000) {
		return []caution.Raised{oddWeight.With(kilograms(p.WeightG))}, nil
	}
	return nil, nil
}

func kilograms(g int32) string { return strconv.FormatFloat(float64(g)/1000, 'f', -1, 64) }

// checkFollowUp wants a person or a reason: without either nothing is said.
func checkFollowUp(p *pb.FollowUpNoted) error {
	if p.Person == "" && strings.TrimSpace(p.Reason) == "" {
		return refusal.New("person", "", "who does it, or a reason why it is left")
	}
	return nil
}

// checkBand refuses a band whose ends are the wrong way round.
func checkBand(p *pb.IggTested) error {
	low, high := p.BandLowCgPerL, p.BandHighCgPerL
	if low == nil || high == nil || *low <= *high {
		return nil
	}
	gPerL := func(cg int32) string { return strconv.FormatFloat(float64(cg)/100, 'f', -1, 64) }
	return refusal.New("low_g_per_l", gPerL(*low), "a band from its lower to its higher end, not over "+gPerL(*high)+" g/L")
}

// checkThaw refuses a bath over 45 C while the bag is still outside.
func (b view) checkThaw(p *pb.ThawStarted) ([]caution.Raised, error) {
	if p.BathDc != nil && *p.BathDc > 450 {
		return nil, refusal.New("bath_c", wording.Tenths(*p.BathDc), "a water bath of 30 to 37 C, measured after stirring, never over 45 C").
			Because("cool the water first; if the bag was in it, note that with 'bath'")
	}
	out, err := b.checkUse(p.Bag, p.Case, b.Now())
	if err != nil || p.BathDc == nil {
		return out, err
	}
	over, err := b.stopsOverLabel(p.Bag, *p.BathDc)
	return append(append(out, warmBath(*p.BathDc)...), over...), err
}

// checkUse tells what stands against a bag that is to be used, and first whether the
// clock by which it is judged is this laptop's.
func (b view) checkUse(id, caseID string, at time.Time) ([]caution.Raised, error) {
	c, err := b.Case(caseID)
	if err != nil {
		return nil, err
	}
	out, err := b.checkBag(id, c, at)
	return append(b.ClockCautions(), out...), err
}

// checkBag tells what stands against a bag at a time of this laptop's clock.
func (b view) checkBag(id string, c *ledger.Case, at time.Time) ([]caution.Raised, error) {
	bag, err := b.Bag(id)
	if err != nil {
		return nil, err
	}
	if bag == nil || bag.Label == nil {
		return b.checkLabel(id, bag, c, at)
	}
	shelf, err := b.ShelfAt(bag.Line(), b.ByClinic(at))
	if err != nil {
		return nil, err
	}
	var out []caution.Raised
	switch shelf.State {
	case engine.ShelfUnfit, engine.ShelfOnHold, engine.ShelfQuarantined, engine.ShelfExpired:
		out = append(out, bagNotFit.With(label.BagNumber(id).String(), shelf.Because[0]))
	}
	more, err := b.checkLabel(id, bag, c, at)
	return append(out, more...), err
}

// checkPlan looks at the bags of a plan and at the mL that were accepted.
func (b view) checkPlan(p *pb.PlanAccepted, at time.Time) ([]caution.Raised, error) {
	out := b.ClockCautions()
	c, err := b.Case(p.Case)
	if err != nil {
		return nil, err
	}
	for _, id := range p.Bags {
		more, err := b.checkBag(id, c, at)
		if err != nil {
			return nil, err
		}
		out = append(out, more...)
	}
	if p.Plan != "dose" {
		return b.checkDrip(out, p)
	}
	if err := b.checkVolume(p); err != nil {
		return nil, err
	}
	day, err := b.checkDay(p)
	return append(out, day...), err
}

// checkDrip holds a rate plan against the dose that was accepted.
func (b view) checkDrip(out []caution.Raised, p *pb.PlanAccepted) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || p.Plan != "drip" {
		return out, err
	}
	if dose := query.PlanOf(c, "dose"); dose != nil && p.VolumeMl > dose.VolumeMl {
		out = append(out, dripOverDose.With(p.VolumeMl, dose.VolumeMl))
	}
	return out, nil
}

// checkVolume refuses mL and bags that do not agree: more than the bags hold, or a bag
// of which nothing is needed. Of a bag whose label is not here nothing is known.
func (b view) checkVolume(p *pb.PlanAccepted) error {
	held, last := int32(0), int32(0)
	for _, id := range p.Bags {
		bag, err := b.Bag(id)
		if err != nil {
			return err
		}
		if bag == nil || bag.Label == nil {
			return nil
		}
		held, last = held+bag.Label.VolumeMl, bag.Label.VolumeMl
	}
	switch {
	case len(p.Bags) == 0:
	case p.VolumeMl > held:
		return refusal.New("volume_ml", p.VolumeMl, fmt.Sprintf("at most the %d mL on the labels of the chosen bags", held))
	case len(p.Bags) > 1 && p.VolumeMl <= held-last:
		return refusal.New("bags", len(p.Bags), fmt.Sprintf("as many bags as %d mL need: the last one is not needed", p.VolumeMl))
	}
	return nil
}

// checkDay judges the accepted mL with the plasma of the last 24 h.
func (b view) checkDay(p *pb.PlanAccepted) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || len(c.Weights) == 0 {
		return nil, err
	}
	w := &c.Weights[len(c.Weights)-1]
	kg := engine.Exactly(float64(w.WeightG) / 1000)
	if w.LowG != nil && w.HighG != nil {
		kg.Low, kg.High = float64(*w.LowG)/1000, float64(*w.HighG)/1000
	}
	own := 0.0
	protocol, err := b.Protocol(c)
	if protocol != nil && protocol.CeilingMlPerKg24H != nil {
		own = float64(*protocol.CeilingMlPerKg24H)
	}
	plasma, _ := b.VolumesOfDay(c)
	return engine.OverDay(kg, c.Foal(), float64(plasma+p.VolumeMl), own), err
}

// checkShared looks at a bag that is said to be shared with the twin: the foal has
// to be one of twins, and whoever else had of the bag, as far as it is known here,
// has to be the other.
func (b view) checkShared(p *pb.TransfusionStarted) ([]caution.Raised, error) {
	if !p.SharedWithTwin {
		return nil, nil
	}
	c, err := b.Case(p.Case)
	if err != nil {
		return nil, err
	}
	if c != nil && c.Patient != nil && c.Patient.Twin == "" {
		return nil, refusal.New("shared_with_twin", "yes", "a case that was opened as twin A or B").Because("another foal's bag? enter the start without it")
	}
	bag, err := b.Bag(p.Bag)
	if err != nil {
		return nil, err
	}
	if bag != nil {
		for _, u := range bag.Uses {
			if damOf(u.Patient) != damOf(p.Patient) {
				return nil, refusal.New("shared_with_twin", "yes", "a bag that only this foal's twin had").Because("case " + u.Case + " had of it too, and is no twin of this foal")
			}
		}
	}
	return []caution.Raised{sharedBag.With()}, nil
}

// damOf is the dam in what two entries of one foal have in common.
func damOf(patient string) string {
	if i := strings.LastIndexByte(patient, '/'); i >= 0 {
		return patient[:i]
	}
	return patient
}

// checkEnded looks at what was given and, where a bag is said to be in, whether it was
// ever started. Stopping never asks and is never refused: it has happened.
func (b view) checkEnded(p *pb.TransfusionEnded, finished bool) ([]caution.Raised, error) {
	out, err := b.checkGiven(p.Bag, p.GivenMl)
	if refused, is := refusal.As(err); is && !finished {
		return []caution.Raised{stoppedOver.With(p.GivenMl, refused.Want)}, nil
	}
	if err != nil {
		return nil, err
	}
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return out, err
	}
	accepted, part, err := b.Accepted(c, p.Bag)
	if part && p.GivenMl > accepted+accepted/20 {
		out = append(out, overAccepted.With(p.GivenMl, accepted))
	}
	if finished && err == nil {
		var more []caution.Raised
		more, err = b.checkFinish(p)
		out = append(out, more...)
	}
	return out, err
}

// checkGiven accepts more than the label says and refuses what must be a slip.
func (b view) checkGiven(id string, givenMl int32) ([]caution.Raised, error) {
	bag, err := b.Bag(id)
	if err != nil || bag == nil || bag.Label == nil || givenMl <= bag.Label.VolumeMl {
		return nil, err
	}
	if float64(givenMl) > slipFactor*float64(bag.Label.VolumeMl) {
		return nil, refusal.New("given_ml", givenMl, fmt.Sprintf("at most 1.5 times the %d mL on the label", bag.Label.VolumeMl)).
			Because("one digit too many, or two bags in one entry?")
	}
	return []caution.Raised{overLabel.With(givenMl, bag.Label.VolumeMl)}, nil
}

// checkRead looks at what was read off the bag that ran then.
func (b view) checkRead(id string, givenMl *int32, at time.Time) ([]caution.Raised, error) {
	if givenMl == nil {
		return nil, nil
	}
	bag, err := b.bagAt(id, at)
	if err != nil || bag == "" {
		return nil, err
	}
	out, err := b.checkGiven(bag, *givenMl)
	if err != nil {
		return nil, err
	}
	more, err := b.checkStopAt(id, *givenMl)
	return append(out, more...), err
}

// checkStopAt tells that the part of the bag which was accepted has run in.
func (b view) checkStopAt(id string, givenMl int32) ([]caution.Raised, error) {
	c, err := b.Case(id)
	if err != nil || c == nil {
		return nil, err
	}
	stop, err := b.StopAt(c)
	if err != nil || stop == 0 || givenMl < stop {
		return nil, err
	}
	return []caution.Raised{acceptedGiven.With(givenMl, stop)}, nil
}

// checkFlow tells a reading that cannot be; nothing may delay the clamp.
func (b view) checkFlow(p *pb.FlowChanged) ([]caution.Raised, error) {
	bag, err := b.Bag(p.Bag)
	if err != nil || bag == nil || bag.Label == nil || p.GetGivenMl() <= bag.Label.VolumeMl {
		return nil, err
	}
	return []caution.Raised{overLabel.With(p.GetGivenMl(), bag.Label.VolumeMl)}, nil
}

// checkBatch warns when a batch is almost, but not quite, one that is known. One that is
// known exactly is no slip. Nor is a delivery that counts on from the last one; a hold on
// a batch that nobody has is one, whatever it counts.
func (b view) checkBatch(product, code string, delivery bool) ([]caution.Raised, error) {
	var out []caution.Raised
	ids, err := b.StartingWith(event.KindBatch, product+"/", maxBatches)
	for _, id := range ids {
		_, known, _ := strings.Cut(id, "/")
		switch {
		case label.SameBatch(known, code):
			return nil, err
		case delivery && label.CountsOn(known, code):
		case label.NearBatch(known, code) && len(out) < 3:
			out = append(out, nearBatch.With(code, b.batchCode(product, known)))
		}
	}
	return out, err
}

// maxBatches bounds the batches of one product that a new one is compared with.
const maxBatches = 20 * query.MaxRows

// batchCode is a batch as it was last printed.
func (b view) batchCode(product, canonical string) string {
	if known, err := b.Batch(product, canonical); err == nil && known != nil {
		return known.Code
	}
	return canonical
}
