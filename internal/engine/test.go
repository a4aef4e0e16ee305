package engine

import (
	"fmt"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// StallTestInput asks what a stall-side test's answer is worth. Speak of 'below
// the cut' and 'above the cut', never of 'positive': kits use that word both ways.
type StallTestInput struct {
	Kind        string   // a name from StallTests(), or empty when the two below are given
	Sensitivity *float64 // share of foals below the cut that the test calls below, 0 to 1
	Specificity *float64 // share of foals at or above the cut that it calls above
	CutGPerL    *float64
	Result      string   // ResultBelow, ResultAbove or empty
	Prevalence  *float64 // share of such foals below the cut; no default
}

// Answers of a test.
const (
	ResultBelow = "below"
	ResultAbove = "above"
)

// StallTestResult is Bayes' rule. ProbBelowCut is nil without a result or a
// prevalence. A likelihood ratio is nil where it has no bound: a study that saw no
// false answer has not shown that there are none.
type StallTestResult struct {
	Basis
	Sensitivity          float64
	Specificity          float64
	CutGPerL             *float64
	ProbBelowCut         *float64
	LikelihoodRatioBelow *float64 // sensitivity / (1 - specificity)
	LikelihoodRatioAbove *float64 // (1 - sensitivity) / specificity
}

var (
	testPerfect = caution.Define("test_study_saw_no_error", caution.Note,
		"A %s of 100 %% means that the study saw no error, not that there is none. Read the probability as an upper or lower end.")
	testWorthless = caution.Define("test_no_better_than_chance", caution.Caution,
		"Sensitivity and specificity add up to %s: at 1 or less the test says nothing or the reverse. Are the two swapped, or meant for 'adequate'?")
	testNoPrevalence = caution.Define("prevalence_not_given", caution.Note,
		"Without the share of such foals that are below the cut, a test's answer has no probability. In studies 0.4 to 18 %% were below 4 g/L and 5.8 to 44.7 %% below 8 g/L.")
	testStudyNote = caution.Define("test_study_note", caution.Note, "%s")
)

var (
	boundsSensitivity = bounds{field: "sensitivity", unit: "of 1", hardHigh: 1, hint: "per cent? 90 % is 0.9"}
	boundsSpecificity = bounds{field: "specificity", unit: "of 1", hardHigh: 1, hint: "per cent? 90 % is 0.9"}
	boundsPrevalence  = bounds{field: "prevalence", unit: "of 1", hardHigh: 1, hint: "per cent? 16 % is 0.16"}
	boundsCut         = bounds{field: "cut_g_per_l", unit: "g/L", hardLow: 1, hardHigh: 20, hint: "mg/dL? 8 g/L is 800 mg/dL"}
)

const (
	srcBayes      = "Bayes' rule"
	srcPrevalence = "below 4 and below 8 g/L: 2.2 and 20.4 % of 535 (Gallacher et al., Equine Vet J 2025); 16 and 33 % of 88 (Tyler-McGowan et al., Aust Vet J 1997); 9.6 % below 8 of 323 (Raidal, Aust Vet J 1996); 13.6 and 44.7 % of 132 (Baldwin et al., JAVMA 1991); 18 % below 4 of 361 (Clabough et al., J Vet Intern Med 1991); 0.4 and 5.8 % of 224 (Nath et al., JAVMA 2010); 6.3 and 17.4 % of 190 (Rev Med Vet 2005;156:163-165); 2.8 % below 4 of 36 (Kohn et al., Am J Vet Res 1989)"
)

// StallTest weighs a test's answer. It refuses an unknown kind, a kind together
// with own figures, and an answer that the figures make impossible.
func StallTest(in StallTestInput) (StallTestResult, error) {
	var r StallTestResult
	c := &inputs{basis: &r.Basis}
	r.Sensitivity, r.Specificity, r.CutGPerL = c.stallFigures(in)
	prevalence := c.or(boundsPrevalence, in.Prevalence, 0)
	if in.Result != "" && in.Result != ResultBelow && in.Result != ResultAbove {
		c.refuse(refusal.New("result", in.Result, "below or above (the cut)").Because("'positive' means either, by kit"))
	}
	if c.err != nil {
		return StallTestResult{}, c.err
	}
	r.source(srcBayes)
	r.ratios()
	if in.Prevalence == nil {
		r.caution(testNoPrevalence.With())
		r.source(srcPrevalence)
	} else if in.Result != "" {
		if err := r.bayes(in.Result, prevalence); err != nil {
			return StallTestResult{}, err
		}
	}
	r.Versions = []string{Version}
	return r, nil
}

// stallFigures takes the figures of a published kind or the caller's own.
func (c *inputs) stallFigures(in StallTestInput) (sensitivity, specificity float64, cut *float64) {
	if in.CutGPerL != nil {
		c.one(boundsCut, *in.CutGPerL)
	}
	if in.Kind != "" {
		if in.Sensitivity != nil || in.Specificity != nil {
			c.refuse(refusal.New("kind", in.Kind, "either a kind or a sensitivity and specificity, not both"))
		}
		return c.stallKind(in.Kind, in.CutGPerL)
	}
	if in.Sensitivity == nil || in.Specificity == nil {
		c.refuse(refusal.New("sensitivity", "not given", "sensitivity and specificity, or the kind of test"))
		return 0, 0, nil
	}
	return c.one(boundsSensitivity, *in.Sensitivity), c.one(boundsSpecificity, *in.Specificity), in.CutGPerL
}

// stallKind finds a published row by kind and cut; the cut may be left out where
// the kind has one only.
func (c *inputs) stallKind(kind string, cut *float64) (sensitivity, specificity float64, at *float64) {
	var rows []StallTestKind
	var cuts []string
	for _, k := range stallTests {
		if k.Kind == kind {
			cuts = append(cuts, num(k.CutGPerL))
			if cut == nil || *cut == k.CutGPerL {
				rows = append(rows, k)
			}
		}
	}
	switch {
	case len(cuts) == 0:
		c.refuse(refusal.New("kind", kind, "one of "+strings.Join(stallKindNames(), ", ")))
	case len(rows) == 0:
		c.refuse(refusal.New("cut_g_per_l", num(*cut), "a published cut of this kind: "+strings.Join(cuts, " or ")+" g/L"))
	case len(rows) > 1:
		c.refuse(refusal.New("cut_g_per_l", "not given", strings.Join(cuts, " or ")+" g/L"))
	default:
		k := rows[0]
		c.basis.source(k.Source)
		if k.Note != "" {
			c.basis.caution(testStudyNote.With(k.Note))
		}
		return k.Sensitivity, k.Specificity, &k.CutGPerL
	}
	return 0, 0, nil
}

// ratios fills in the likelihood ratios that have a bound.
func (r *StallTestResult) ratios() {
	se, sp := r.Sensitivity, r.Specificity
	if se == 1 {
		r.caution(testPerfect.With("sensitivity"))
	}
	if sp == 1 {
		r.caution(testPerfect.With("specificity"))
	}
	if se+sp <= 1 {
		r.caution(testWorthless.With(num(se + sp)))
	}
	if below := se / (1 - sp); finite(below) {
		r.LikelihoodRatioBelow = &below
		r.step("likelihood ratio of 'below' = %s / (1 - %s) = %s", se, sp, below)
	}
	if above := (1 - se) / sp; finite(above) {
		r.LikelihoodRatioAbove = &above
		r.step("likelihood ratio of 'above' = (1 - %s) / %s = %s", se, sp, above)
	}
}

// bayes is the probability of being below the cut, given the test's answer.
func (r *StallTestResult) bayes(result string, prevalence float64) error {
	hit, miss := r.Sensitivity, 1-r.Specificity
	if result == ResultAbove {
		hit, miss = 1-r.Sensitivity, r.Specificity
	}
	all := hit*prevalence + miss*(1-prevalence)
	if all == 0 {
		return refusal.New("result", result, "an answer that these figures allow").
			Because(fmt.Sprintf("at prevalence %s this test would never say so", num(prevalence)))
	}
	p := hit * prevalence / all
	r.ProbBelowCut = &p
	r.step("%s x %s / (%s x %s + %s x %s) = %s", hit, prevalence, hit, prevalence, miss, 1-prevalence, p)
	return nil
}
