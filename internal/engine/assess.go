package engine

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// AssessInput asks what a foal's IgG, age and signs mean.
type AssessInput struct {
	AgeH         *float64 // at sampling; no default
	IgGReading            // see there
	Signs        []string // names from Signs()
	TemperatureC *float64 // rectal
	GestationD   *float64 // days; under 320 is a reason to offer referral
	// Blood glucose in one of its two units, or in none.
	GlucoseMmolPerL *float64
	GlucoseMgPerDL  *float64
	PCVPercent      *float64 // packed cell volume
	LactateMmolPerL *float64
	// Isoerythrolysis says whether the foal is at risk of its own dam's colostrum:
	// the dam ever had a jaundiced foal, a positive antibody screen, a donkey or
	// mule sire. Empty counts as unknown.
	Isoerythrolysis string
}

// Answers to the question of isoerythrolysis risk.
const (
	RiskNo      = "no"
	RiskYes     = "yes"
	RiskUnknown = "unknown"
)

// Classes of IgG: adequate at 8.00 g/L and over, partial from 4.00 to below 8.00,
// complete failure below 4.00. A band that crosses a border has the two classes
// joined by _or_; the top end of a band does not belong to it, so 4 to 8 is partial.
const (
	ClassAdequate = "adequate"
	ClassPartial  = "partial"
	ClassComplete = "complete"
	ClassUnknown  = "unknown"
)

// The colostrum window by age: how much a foal still takes up from the gut.
// Passage is best in the first 6 to 8 h, poor after 12 h and over by 24 h.
const (
	WindowOpen         = "open"          // under 6 h
	WindowClosing      = "closing"       // 6 to 12 h
	WindowNearlyClosed = "nearly_closed" // 12 to 24 h
	WindowClosed       = "closed"        // 24 h and over
)

// AssessResult says what was found; it never says 'treat'.
type AssessResult struct {
	Basis
	IgGClass         string
	OtherSchemeClass string // by a second published scheme: complete below 2, partial below 4
	Provisional      bool   // sampled before 12 h
	ColostrumWindow  string
	OfferReferral    bool
	Because          []string
}

const (
	adequateGPerL     = 8.0
	completeGPerL     = 4.0
	referBelowGPerL   = 2.0 // in a sick foal
	provisionalUntilH = 12.0
	referBelowC       = 37.2
	referAboveC       = 38.9
	otherAdequate     = 4.0 // the second scheme's borders
	otherComplete     = 2.0

	leastGestationD = 320.0
	usualGestationD = 342.0

	lowGlucoseMmolPerL     = 4.2 // 76 mg/dL
	lowAtBirthMmolPerL     = 3.5 // 63 mg/dL
	lowAtBirthUntilH       = 8.0
	veryLowGlucoseMmolPerL = 2.8     // 50 mg/dL
	mgPerDLOfMmolPerL      = 18.0156 // of glucose, 180.156 g/mol

	srcClasses  = "8 and 4 g/L: Estell and Magdesian, Use of Fresh and Frozen Blood Products in Foals (in Robinson's Current Therapy in Equine Medicine 7, from memory); Franco Ayala and Oliver-Espinosa, J Equine Vet Sci 2016;44:100-104"
	srcClasses2 = "another scheme calls 2 to 4 g/L partial and below 2 g/L total: SAEVA Proceedings 2016, p. 75"
	srcWindow   = "uptake best to 6 to 8 h, poor after 12 h (SAEVA Proceedings 2016, p. 199), over by 24 h (Jeffcott, thesis, University of London 1972)"
	srcGlucose  = "glucose 4.2 to 7.3 mmol/L (76 to 131 mg/dL) is usual; foals below 2.8 at admission were less likely to live: Hollis et al., J Vet Intern Med 2008;22:1223-1227 (515 foals)"
	srcGlucose2 = "in 20 healthy foals 5.5 +/- 2.0 mmol/L at birth, 7.1 +/- 1.5 at 8 h, 8.3 +/- 1.6 from 12 h: Evaluation of neonatal vitality and blood glucose, lactate and cortisol concentrations in foals of the Paint Horse breed, Pesq Vet Bras (abstract); our limit to 8 h is one such spread under the mean at birth"
	srcReferral = "reasons to offer referral: common practice"
	srcFarm     = "44.7 % of 132 healthy foals were below 8 g/L and none was given plasma; all lived to 21 days: Baldwin et al., JAVMA 1991;198:423-428 (authors and pages from memory)"
)

// srcsIgGAndIllness are both sides: does IgG tell illness?
var srcsIgGAndIllness = []string{
	"foals below 8 g/L were likelier to die: Liepman et al., Equine Vet J 2015;47:526-530 (title and a summary read, not its table)",
	srcFarm,
	"passive immune status told septic illness in the first month, not diarrhoea nor R. equi pneumonia, in 323 foals: Raidal, Aust Vet J 1996;73:201-206",
	"below 4 g/L the odds of medical therapy in 3 months were 3.50 times (1.81 to 6.68), in 361 foals: Clabough et al., J Vet Intern Med 1991, doi 10.1111/j.1939-1676.1991.tb03147.x",
}

var (
	iggNotAlone = caution.Define("igg_alone_not_treatment", caution.Note,
		"IgG alone does not say 'treat'. Studies disagree: below 8 g/L foals were likelier to die in one, and septic illness was commoner in another (323 foals); below 4 g/L medical therapy was 3.5 times as likely (1.81 to 6.68; 361 foals). On one well-run farm 44.7 %% of 132 were below 8 g/L, none was given plasma and all lived to 21 days.")
	iggProvisional = caution.Define("igg_before_12h", caution.Note,
		"Sampled at %s h: before 12 h the result is provisional. Test again at 18 to 24 h.")
	damColostrum = caution.Define("isoerythrolysis_risk", caution.Caution,
		"Risk of neonatal isoerythrolysis: %s. Do not give this dam's colostrum before the vet has decided.")
	notByMouth = caution.Define("nothing_by_mouth", caution.Caution,
		"No colostrum by mouth without the vet: the foal is cold, in colic or cannot swallow.")
	askGlucose = caution.Define("measure_glucose", caution.Caution,
		"A weak foal: measure blood glucose now.")
)

var (
	boundsSampleAge = bounds{field: "age_h", unit: "h", hardHigh: 90 * 24, likelyHigh: 19 * 24,
		hint: "hours, not days; the classes are for newborn foals"}
	boundsTemperature = bounds{field: "temperature_c", unit: "C", hardLow: 25, hardHigh: 45, likelyLow: 32, likelyHigh: 42,
		hint: "Fahrenheit? 100 F is 37.8 C"}
	boundsGestation = bounds{field: "gestation_d", unit: "d", hardLow: 250, hardHigh: 450, likelyLow: 305, likelyHigh: 400,
		hint: "days, not months"}
	boundsGlucose = bounds{field: "glucose_mmol_per_l", unit: "mmol/L", hardHigh: 35, likelyLow: 1, likelyHigh: 20,
		hint: "mg/dL? 76 mg/dL is 4.2 mmol/L"}
	boundsGlucoseMgPerDL = bounds{field: "glucose_mg_per_dl", unit: "mg/dL", hardHigh: 630, likelyLow: 18, likelyHigh: 360,
		hint: "1 mmol/L is 18 mg/dL"}
)

// leastGlucoseMgPerDL: below this, and above nothing at all, a mg/dL value is more
// likely to be mmol/L. The limit is ours.
const leastGlucoseMgPerDL = 15

// Assess sorts IgG into a class and lists the reasons to offer referral now. It
// refuses a missing age and an unknown sign.
func Assess(in AssessInput) (AssessResult, error) {
	var r AssessResult
	c := &inputs{basis: &r.Basis}
	age := c.need(boundsSampleAge, in.AgeH, "the age at sampling in hours")
	var igg Range
	r.OtherSchemeClass = ClassUnknown
	if in.IgGUnknown && in.given() == 1 {
		r.IgGClass = ClassUnknown
	} else {
		igg = c.igg(in.IgGReading)
		r.IgGClass = classOf(igg, adequateGPerL, completeGPerL)
		r.OtherSchemeClass = classOf(igg, otherAdequate, otherComplete)
	}
	found := c.signs(in.Signs, in.TemperatureC)
	gestation := c.or(boundsGestation, in.GestationD, usualGestationD)
	glucose := c.glucose(in)
	pcv, lactate := c.measured(boundsPCV, in.PCVPercent), c.measured(boundsLactate, in.LactateMmolPerL)
	risk := c.isoerythrolysis(in.Isoerythrolysis)
	if c.err != nil {
		return AssessResult{}, c.err
	}
	r.ColostrumWindow = colostrumWindow(age)
	r.Provisional = age < provisionalUntilH && r.IgGClass != ClassUnknown
	r.explainClass(igg, age)
	r.refer(found, in.TemperatureC)
	if gestation < leastGestationD && !has(found, shortGestationSign) {
		r.Because = append(r.Because, fmt.Sprintf("gestation %s days (under 320)", num(gestation)))
	}
	r.referGlucose(found, glucose, age)
	r.referBlood(pcv, lactate)
	r.referIgG(found, igg)
	r.OfferReferral = len(r.Because) > 0
	r.askGlucose(found, glucose)
	r.warnColostrum(found, risk)
	r.source(srcClasses, srcClasses2, srcWindow, srcReferral)
	r.Versions = []string{Version}
	return r, nil
}

func (c *inputs) isoerythrolysis(answer string) string {
	switch answer {
	case RiskNo, RiskYes, RiskUnknown:
		return answer
	case "":
		return RiskUnknown
	}
	c.refuse(refusal.New("isoerythrolysis", answer, "no, yes or unknown"))
	return answer
}

// classOne is the class of one value by a scheme's two borders.
func classOne(gPerL, adequate, complete float64) string {
	switch {
	case gPerL >= adequate:
		return ClassAdequate
	case gPerL >= complete:
		return ClassPartial
	}
	return ClassComplete
}

// classOf is the class of a value or a band.
func classOf(igg Range, adequate, complete float64) string {
	low, top := classOne(igg.Low, adequate, complete), igg.High
	if top > igg.Low {
		top = math.Nextafter(top, igg.Low)
	}
	high := classOne(top, adequate, complete)
	if low == high {
		return low
	}
	return low + "_or_" + high
}

// glucose reads blood glucose in mmol/L; nil when it was not measured.
func (c *inputs) glucose(in AssessInput) *float64 {
	mg := in.GlucoseMgPerDL
	if mg == nil {
		if in.GlucoseMmolPerL != nil {
			c.one(boundsGlucose, *in.GlucoseMmolPerL)
		}
		return in.GlucoseMmolPerL
	}
	if in.GlucoseMmolPerL != nil {
		c.refuse(refusal.New("glucose_mg_per_dl", num(*mg), "glucose in mmol/L or in mg/dL, not both"))
	}
	if *mg > 0 && *mg < leastGlucoseMgPerDL {
		c.refuse(refusal.New("glucose_mg_per_dl", num(*mg), "0, or 15 to 630 mg/dL").
			Because("mmol/L? " + num(*mg) + " mmol/L is " + num(*mg*mgPerDLOfMmolPerL) + " mg/dL"))
	}
	mmol := c.one(boundsGlucoseMgPerDL, *mg) / mgPerDLOfMmolPerL
	c.basis.step("glucose %s mg/dL / 18.02 = %s mmol/L", *mg, mmol)
	return &mmol
}

func colostrumWindow(ageH float64) string {
	switch {
	case ageH < 6:
		return WindowOpen
	case ageH < 12:
		return WindowClosing
	case ageH < 24:
		return WindowNearlyClosed
	}
	return WindowClosed
}

// explainClass writes the class, what is provisional, and what IgG does not say.
func (r *AssessResult) explainClass(igg Range, age float64) {
	if r.IgGClass == ClassUnknown {
		r.step("IgG not measured")
	} else {
		r.step("IgG %s g/L: %s (adequate from 8, partial from 4, complete below 4)", igg, r.IgGClass)
		r.step("by a second scheme (adequate from 4, partial from 2, complete below 2): %s", r.OtherSchemeClass)
	}
	r.step("age %s h: colostrum window %s", age, strings.ReplaceAll(r.ColostrumWindow, "_", " "))
	if r.Provisional {
		r.caution(iggProvisional.With(num(age)))
	}
	if r.IgGClass != ClassAdequate && r.IgGClass != ClassUnknown {
		r.caution(iggNotAlone.With())
		r.source(srcsIgGAndIllness...)
	}
}

// refer lists the signs that are reasons to offer referral.
func (r *AssessResult) refer(found []Sign, temperature *float64) {
	for _, s := range found {
		if s.Refer {
			r.Because = append(r.Because, s.Words)
		}
	}
	if temperature != nil && (*temperature < referBelowC || *temperature > referAboveC) {
		r.Because = append(r.Because, fmt.Sprintf("rectal temperature %s C (below 37.2 or above 38.9)", num(*temperature)))
	}
}

// referIgG adds a low IgG in a sick foal to the reasons.
func (r *AssessResult) referIgG(found []Sign, igg Range) {
	sick := len(found) > 0 || len(r.Because) > 0
	if sick && r.IgGClass != ClassUnknown && igg.Low < referBelowGPerL {
		r.Because = append(r.Because, fmt.Sprintf("IgG %s g/L, below 2, in a sick foal", igg.text()))
	}
}

// lowGlucose is the limit in mmol/L by age: a foal that has hardly sucked has less.
func lowGlucose(ageH float64) float64 {
	if ageH < lowAtBirthUntilH {
		return lowAtBirthMmolPerL
	}
	return lowGlucoseMmolPerL
}

// referGlucose adds a low blood glucose to the reasons.
func (r *AssessResult) referGlucose(found []Sign, glucose *float64, age float64) {
	if glucose == nil {
		return
	}
	limit := lowGlucose(age)
	r.source(srcGlucose, srcGlucose2)
	r.step("glucose %s mmol/L; low is below %s at %s h", *glucose, limit, age)
	if *glucose >= limit || has(found, lowGlucoseSign) { // seen and measured is one reason
		return
	}
	text := fmt.Sprintf("blood glucose %s mmol/L (below %s at %s h)", num(*glucose), num(limit), num(age))
	if *glucose < veryLowGlucoseMmolPerL {
		text = fmt.Sprintf("blood glucose %s mmol/L, below 2.8: treat the glucose now", num(*glucose))
	}
	r.Because = append(r.Because, text)
}

// askGlucose asks for a glucose in a weak foal that has none.
func (r *AssessResult) askGlucose(found []Sign, glucose *float64) {
	weak := slices.ContainsFunc(found, func(s Sign) bool { return s.Weak })
	if weak && glucose == nil && !has(found, lowGlucoseSign) {
		r.caution(askGlucose.With())
	}
}

// warnColostrum says why colostrum should wait for the vet, while it still counts.
func (r *AssessResult) warnColostrum(found []Sign, risk string) {
	if r.ColostrumWindow == WindowClosed {
		return
	}
	for _, s := range found {
		if s.Isoerythrolysis && risk != RiskYes {
			risk = s.Words
		}
	}
	if risk != RiskNo {
		r.caution(damColostrum.With(risk))
	}
	for _, s := range found {
		if s.NotByMouth {
			r.caution(notByMouth.With())
			return
		}
	}
}
