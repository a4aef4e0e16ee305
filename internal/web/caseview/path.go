package caseview

import (
	"slices"
	"strings"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// Step is one step of a case's path.
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
		names := words.List("step." + slug)
		if adult := words.List("step." + slug + "_adult"); !cv.Foal && len(adult) > 0 {
			names = adult
		}
		cv.Steps = append(cv.Steps, &Step{Slug: slug, Title: names[0], Button: names[1], Done: done, Optional: optional, Said: said})
	}
	add("patient", c.Patient != nil, false, cv.Patient.Marks)
	add("look", len(c.Exams) > 0, false, cv.LookWord())
	if cv.Foal {
		add("risk", len(c.Risk) > 0, false, cv.RiskWord())
		add("colostrum", len(c.Colostrum) > 0, true, cv.ColostrumWord())
	}
	if offer, _ := cv.Assess(); len(c.Referrals) > 0 || offer.OfferReferral {
		add("referral", len(c.Referrals) > 0, false, cv.ReferralWord())
	}
	add("weigh", cv.Kg > 0, false, cv.Weight)
	igg := cv.LastIgg(false)
	add("igg", igg != nil, !cv.Foal, cv.Igg)
	if !cv.Foal {
		add("protein", cv.C.Protein(false) != nil, true, cv.proteinWord())
	}
	plan := cv.DosePlan()
	add("dose", plan != nil, false, PlanWord(plan))
	add("agree", len(c.Estimates) > 0, false, "")
	cv.bagSteps(add)
	cv.afterSteps(add)
	cv.Next = cv.nextStep()
	cv.Next.Current = true
}

type adder func(slug string, done, optional bool, said string)

// bagSteps follows the bag that is in hand.
func (cv *View) bagSteps(add adder) {
	b := cv.Open()
	if b == nil && len(cv.Bags) > 0 {
		b = cv.Bags[len(cv.Bags)-1]
	}
	// Where only a code told that the bag runs, nothing is known of its checks here.
	past := func(stages ...string) bool { return b != nil && !slices.Contains(stages, b.Stage) && !cv.ByCode(b) }
	number := ""
	if b != nil {
		number = words.Say("path.bag", b.Number)
	}
	add("bath", past(Planned), false, number)
	add("thaw", past(Planned, Checked, Thawing), false, thawWord(b))
	add("baseline", cv.C.HasBaseline(), false, "")
	add("rate", cv.RatePlan() != nil, false, cv.rateWord())
	add("hang", past(Planned, Checked, Thawing, Thawed), false, "")
	add("start", b != nil && b.T != nil, false, "")
	add("run", b != nil && b.Stage == Ended, false, cv.givenWord())
}

func (cv *View) afterSteps(add adder) {
	c := cv.C
	add("after", len(c.RecheckPlans) > 0 && !cv.dueNow(), false, cv.RecheckWord())
	add("recheck", c.Rechecked(), false, "")
	add("close", !c.Open(), false, words.Enum(c.Outcome()))
}

// dueNow says that something is due by now after plasma: it comes before the recheck.
func (cv *View) dueNow() bool {
	return len(cv.After) > 0 && cv.After[0].DueMs <= cv.Now.UnixMilli()
}

// nextStep picks the one step: what runs comes before what is asked.
func (cv *View) nextStep() *Step {
	c := cv.C
	if c.Running {
		return cv.step("run")
	}
	if b := cv.Open(); b != nil && cv.DosePlan() != nil && len(c.Estimates) > 0 {
		return cv.step(cv.bagStep(b))
	}
	if cv.wantsBag() && c.Open() {
		return cv.step("dose")
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
		return len(cv.Bags) > 0 && cv.Open() == nil
	}
	return false
}

// bagStep is the next step with a bag that waits.
func (cv *View) bagStep(b *Bag) string {
	switch b.Stage {
	case Planned:
		return "bath"
	case Checked, Thawing:
		return "thaw"
	case Thawed:
		if !cv.C.HasBaseline() {
			return "baseline"
		}
		if cv.RatePlan() == nil {
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

// Risky says that this dam's colostrum is not advised: any yes or unknown.
func (cv *View) Risky() string { return query.Isoerythrolysis(cv.C) }

// RiskWord says what was answered about the dam.
func (cv *View) RiskWord() string {
	if len(cv.C.Risk) == 0 {
		return ""
	}
	if cv.Risky() == engine.RiskNo {
		return words.Say("path.no_risk")
	}
	return words.Say("path.risk", cv.Risky())
}

// ColostrumWord says how much colostrum was given.
func (cv *View) ColostrumWord() string {
	ml := int32(0)
	for _, c := range cv.C.Colostrum {
		ml += c.VolumeMl
	}
	if ml == 0 {
		return ""
	}
	return words.Say("word.ml", ml)
}

// LookWord says what the last look at the patient found.
func (cv *View) LookWord() string {
	n := len(cv.C.Exams)
	if n == 0 {
		return ""
	}
	e := &cv.C.Exams[n-1]
	var parts []string
	if e.TemperatureDc != nil {
		parts = append(parts, cv.Beside.Celsius(*e.TemperatureDc))
	}
	if e.HeartRate != nil {
		parts = append(parts, words.Say("path.heart", *e.HeartRate))
	}
	if e.BreathingRate != nil {
		parts = append(parts, words.Say("path.breaths", *e.BreathingRate))
	}
	if e.ProteinDgPerL != nil {
		parts = append(parts, ProteinText(e))
	}
	parts = append(parts, bloodWords(e)...)
	for _, s := range e.Signs {
		parts = append(parts, signWords(s))
	}
	if e.Text != "" {
		parts = append(parts, e.Text)
	}
	return strings.Join(parts, ", ")
}

// bloodWords are the numbers of the blood beside the protein.
func bloodWords(e *ledger.Exam) (parts []string) {
	if e.GlucoseUmolPer != nil {
		parts = append(parts, words.Say("path.glucose", words.Num(float64(*e.GlucoseUmolPer)/1000)))
	}
	if e.PcvPm != nil {
		parts = append(parts, words.Say("path.pcv", words.Num(float64(*e.PcvPm)/10)))
	}
	if e.LactateUmolPer != nil {
		parts = append(parts, words.Say("path.lactate", words.Num(float64(*e.LactateUmolPer)/1000)))
	}
	return parts
}

// ProteinText is the total protein of a look.
func ProteinText(e *ledger.Exam) string {
	if e == nil || e.ProteinDgPerL == nil {
		return ""
	}
	return words.Say("protein.value", words.Tenths(*e.ProteinDgPerL))
}

func (cv *View) proteinWord() string { return ProteinText(cv.C.Protein(false)) }

func signWords(name string) string {
	for _, s := range engine.Signs() {
		if s.Name == name {
			return s.Words
		}
	}
	return words.Plain(name)
}

// ReferralWord says what was answered to the offer of a clinic.
func (cv *View) ReferralWord() string {
	if n := len(cv.C.Referrals); n > 0 {
		return words.Say("path.referral", words.Enum(cv.C.Referrals[n-1].Answer), cv.answerer)
	}
	return ""
}

// PlanWord says what a plan gives.
func PlanWord(p *ledger.Plan) string {
	if p == nil {
		return ""
	}
	return words.Say("path.plan", p.VolumeMl, len(p.Bags))
}

func (cv *View) rateWord() string {
	if p := cv.RatePlan(); p != nil && p.PlateauMlPerH != nil {
		return words.Say("path.rate", *p.PlateauMlPerH)
	}
	return ""
}

func thawWord(b *Bag) string {
	if b == nil || b.ThawAt.IsZero() {
		return ""
	}
	if b.ThawedAt.IsZero() {
		return words.Say("path.thawing", b.ThawAt.Format("15:04"))
	}
	return words.Say("path.thawed", b.ThawedAt.Format("15:04"))
}

func (cv *View) givenWord() string {
	if cv.C.PlasmaMl == 0 {
		return ""
	}
	return words.Say("path.given", cv.C.PlasmaMl)
}

// RecheckWord says when the recheck is due.
func (cv *View) RecheckWord() string {
	if n := len(cv.C.RecheckPlans); n > 0 {
		return words.Say("path.due", cv.At(cv.C.RecheckPlans[n-1].DueMs))
	}
	return ""
}

// Assess is what the signs, the numbers and the IgG mean.
func (cv *View) Assess() (engine.AssessResult, error) { return cv.assessed, cv.assessErr }
