package page

import (
	"slices"
	"strings"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// stepView is one step of a case's path.
type Step struct {
	Slug, Title, Button string
	Done                bool
	Optional            bool
	Said                string // what was recorded, in short
	Current             bool
}

// Href is the step's page.
func (st *Step) Href(id string) string { return "/case/" + id + "/" + st.Slug }

// path finds what is done and the one obvious next step. The order is the order
// in which a careful vet asks.
func (cv *View) path() {
	c := cv.C
	add := func(slug string, done, optional bool, said string) {
		names := list("step." + slug)
		if grown := list("step." + slug + "_grown"); !cv.Foal && len(grown) > 0 {
			names = grown
		}
		cv.Steps = append(cv.Steps, &Step{Slug: slug, Title: names[0], Button: names[1], Done: done, Optional: optional, Said: said})
	}
	add("patient", c.Patient != nil, false, cv.Patient.Marks)
	if cv.Foal {
		add("risk", len(c.Risk) > 0, false, cv.riskWord())
		add("colostrum", len(c.Colostrum) > 0, true, cv.colostrumWord())
	}
	add("look", len(c.Exams) > 0, false, cv.lookWord())
	if offer, _ := cv.assess(); len(c.Referrals) > 0 || offer.OfferReferral {
		add("referral", len(c.Referrals) > 0, false, cv.referralWord())
	}
	add("weigh", cv.Kg > 0, false, cv.Weight)
	igg := cv.lastIgg(false)
	add("igg", igg != nil, !cv.Foal, cv.Igg)
	if !cv.Foal {
		add("protein", cv.C.Protein(false) != nil, true, cv.proteinWord())
	}
	plan := cv.dosePlan()
	add("dose", plan != nil, false, planWord(plan))
	add("agree", len(c.Estimates) > 0, false, "")
	cv.bagSteps(add)
	cv.afterSteps(add)
	cv.Next = cv.nextStep()
	cv.Next.Current = true
}

type adder func(slug string, done, optional bool, said string)

// bagSteps follows the bag that is in hand.
func (cv *View) bagSteps(add adder) {
	b := cv.open()
	if b == nil && len(cv.Bags) > 0 {
		b = cv.Bags[len(cv.Bags)-1]
	}
	// Where only a code told that the bag runs, nothing is known of its checks here.
	past := func(stages ...string) bool { return b != nil && !slices.Contains(stages, b.Stage) && !cv.byCode(b) }
	number := ""
	if b != nil {
		number = say("path.bag", b.Number)
	}
	add("bath", past(stagePlanned), false, number)
	add("thaw", past(stagePlanned, stageChecked, stageThawing), false, thawWord(b))
	add("baseline", cv.hasBaseline(), false, "")
	add("rate", cv.ratePlan() != nil, false, cv.rateWord())
	add("hang", past(stagePlanned, stageChecked, stageThawing, stageThawed), false, "")
	add("start", b != nil && b.T != nil, false, "")
	add("run", b != nil && b.Stage == stageEnded, false, cv.givenWord())
}

func (cv *View) afterSteps(add adder) {
	c := cv.C
	add("after", len(c.RecheckPlans) > 0, false, cv.recheckWord())
	add("recheck", c.Rechecked(), false, "")
	add("close", !c.Open(), false, enumText(c.Outcome()))
}

// nextStep picks the one step: what runs comes before what is asked.
func (cv *View) nextStep() *Step {
	c := cv.C
	if c.Running {
		return cv.step("run")
	}
	if b := cv.open(); b != nil && cv.dosePlan() != nil && len(c.Estimates) > 0 {
		return cv.step(cv.bagStep(b))
	}
	for _, st := range cv.Steps {
		if !st.Done && !st.Optional && !(cv.skips(st.Slug)) {
			return st
		}
	}
	return cv.Steps[len(cv.Steps)-1]
}

// skips leaves out steps of a bag when there is none in hand, and questions before
// plasma once it was given: what was left out in the night is entered afterwards.
func (cv *View) skips(slug string) bool {
	switch slug {
	case "risk", "look", "referral", "weigh", "igg", "dose", "agree":
		return cv.C.LastEndMs() != 0
	case "bath", "thaw", "baseline", "rate", "hang", "start", "run":
		return len(cv.Bags) > 0 && cv.open() == nil
	}
	return false
}

// bagStep is the next step with a bag that waits.
func (cv *View) bagStep(b *Bag) string {
	switch b.Stage {
	case stagePlanned:
		return "bath"
	case stageChecked, stageThawing:
		return "thaw"
	case stageThawed:
		if !cv.hasBaseline() {
			return "baseline"
		}
		if cv.ratePlan() == nil {
			return "rate"
		}
		return "hang"
	}
	return "start"
}

func (cv *View) step(slug string) *Step {
	for _, st := range cv.Steps {
		if st.Slug == slug {
			return st
		}
	}
	return cv.Steps[0]
}

func (cv *View) hasBaseline() bool {
	return slices.ContainsFunc(cv.C.Vitals, func(x ledger.Vitals) bool { return x.Baseline })
}

// risky says that this dam's colostrum is not advised: any yes or unknown.
func (cv *View) risky() (risk string) {
	n := len(cv.C.Risk)
	if n == 0 {
		return engine.RiskUnknown
	}
	r := cv.C.Risk[n-1]
	risk = engine.RiskNo
	for _, a := range []pb.Answer{r.JaundicedFoalBefore, r.PositiveScreen, r.DonkeySire, r.YellowOrRedUrine} {
		switch a {
		case pb.Answer_ANSWER_YES:
			return engine.RiskYes
		case pb.Answer_ANSWER_UNKNOWN:
			risk = engine.RiskUnknown
		}
	}
	return risk
}

func (cv *View) riskWord() string {
	if len(cv.C.Risk) == 0 {
		return ""
	}
	if cv.risky() == engine.RiskNo {
		return say("path.no_risk")
	}
	return say("path.risk", cv.risky())
}

func (cv *View) colostrumWord() string {
	ml := int32(0)
	for _, c := range cv.C.Colostrum {
		ml += c.VolumeMl
	}
	if ml == 0 {
		return ""
	}
	return say("word.ml", ml)
}

func (cv *View) lookWord() string {
	n := len(cv.C.Exams)
	if n == 0 {
		return ""
	}
	e := &cv.C.Exams[n-1]
	var parts []string
	if e.TemperatureDc != nil {
		parts = append(parts, say("path.temperature", tenths(*e.TemperatureDc)))
	}
	if e.HeartRate != nil {
		parts = append(parts, say("path.heart", *e.HeartRate))
	}
	if e.BreathingRate != nil {
		parts = append(parts, say("path.breaths", *e.BreathingRate))
	}
	if e.ProteinDgPerL != nil {
		parts = append(parts, proteinText(e))
	}
	for _, s := range e.Signs {
		parts = append(parts, signWords(s))
	}
	return strings.Join(parts, ", ")
}

// proteinText is the total protein of a look.
func proteinText(e *ledger.Exam) string {
	if e == nil || e.ProteinDgPerL == nil {
		return ""
	}
	return say("protein.value", tenths(*e.ProteinDgPerL))
}

func (cv *View) proteinWord() string { return proteinText(cv.C.Protein(false)) }

func signWords(name string) string {
	for _, s := range engine.Signs() {
		if s.Name == name {
			return s.Words
		}
	}
	return plain(name)
}

func (cv *View) referralWord() string {
	if n := len(cv.C.Referrals); n > 0 {
		return say("path.referral", enumText(cv.C.Referrals[n-1].Answer), cv.C.Referrals[n-1].By)
	}
	return ""
}

func planWord(p *ledger.Plan) string {
	if p == nil {
		return ""
	}
	return say("path.plan", p.VolumeMl, len(p.Bags))
}

func (cv *View) rateWord() string {
	if p := cv.ratePlan(); p != nil && p.PlateauMlPerH != nil {
		return say("path.rate", *p.PlateauMlPerH)
	}
	return ""
}

func thawWord(b *Bag) string {
	if b == nil || b.ThawAt.IsZero() {
		return ""
	}
	if b.ThawedAt.IsZero() {
		return say("path.thawing", b.ThawAt.Format("15:04"))
	}
	return say("path.thawed", b.ThawedAt.Format("15:04"))
}

func (cv *View) givenWord() string {
	if cv.C.PlasmaMl == 0 {
		return ""
	}
	return say("path.given", cv.C.PlasmaMl)
}

func (cv *View) recheckWord() string {
	if n := len(cv.C.RecheckPlans); n > 0 {
		return say("path.due", cv.at(cv.C.RecheckPlans[n-1].DueMs))
	}
	return ""
}

// assess asks the engine what the signs and the IgG mean.
func (cv *View) assess() (engine.AssessResult, error) {
	in := engine.AssessInput{AgeH: cv.AgeH, Isoerythrolysis: cv.risky()}
	igg := cv.lastIgg(false)
	if r, ok := reading(igg); ok {
		in.IgGReading = r
		if igg.SampledMs != 0 && cv.C.Patient != nil && cv.C.Patient.BornMs != 0 {
			h := float64(igg.SampledMs-cv.C.Patient.BornMs) / 3.6e6
			in.AgeH = &h
		}
	} else {
		in.IgGUnknown = true
	}
	for _, e := range cv.C.Exams {
		for _, s := range e.Signs {
			if isSign(s) && !slices.Contains(in.Signs, s) {
				in.Signs = append(in.Signs, s)
			}
		}
		if e.TemperatureDc != nil {
			t := float64(*e.TemperatureDc) / 10
			in.TemperatureC = &t
		}
	}
	if !cv.Foal {
		return engine.AssessResult{}, nil
	}
	if in.AgeH == nil {
		// The signs count at any age; what depends on the age is not shown then.
		in.AgeH = new(24.0)
	}
	return engine.Assess(in)
}

func isSign(name string) bool {
	return slices.ContainsFunc(engine.Signs(), func(s engine.Sign) bool { return s.Name == name })
}
