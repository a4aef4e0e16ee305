package engine

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/refusal"
	"thawtrail/internal/testrun"
)

func TestStallTestAgreesWithPublishedFigures(t *testing.T) {
	for _, row := range published(t, "test.csv") {
		in := StallTestInput{Kind: row["kind"], CutGPerL: row.maybe(t, "cut_g_per_l"), Prevalence: row.maybe(t, "prevalence"), Result: ResultBelow}
		below, err := StallTest(in)
		require.NoError(t, err)
		in.Result = ResultAbove
		above, err := StallTest(in)
		require.NoError(t, err)
		assert.InDelta(t, row.num(t, "ppv"), *below.ProbBelowCut, 5.1e-5, "%v", row)
		assert.InDelta(t, row.num(t, "npv"), 1-*above.ProbBelowCut, 5.1e-5, "%v", row)
		if lr := row.maybe(t, "lr_below"); lr != nil {
			assert.InDelta(t, *lr, *below.LikelihoodRatioBelow, 5e-4)
			assert.InDelta(t, row.num(t, "lr_above"), *below.LikelihoodRatioAbove, 5e-5)
		}
	}
}

func TestStallTestPerfectFiguresHaveNoBound(t *testing.T) {
	r, err := StallTest(StallTestInput{Sensitivity: new(0.94), Specificity: new(1.0), Prevalence: new(0.1), Result: ResultBelow})
	require.NoError(t, err)
	assert.Nil(t, r.LikelihoodRatioBelow)
	assert.Equal(t, 1.0, *r.ProbBelowCut)
	assert.Contains(t, codes(r.Cautions), "test_study_saw_no_error")
	_, err = StallTest(StallTestInput{Sensitivity: new(0.94), Specificity: new(1.0), Prevalence: new(0.0), Result: ResultBelow})
	refused(t, err, "result")
}

func TestStallTestNeedsAPrevalenceForAProbability(t *testing.T) {
	r, err := StallTest(StallTestInput{Sensitivity: new(0.9), Specificity: new(0.8), Result: ResultBelow})
	require.NoError(t, err)
	assert.Nil(t, r.ProbBelowCut)
	assert.Contains(t, codes(r.Cautions), "prevalence_not_given")
	assert.InDelta(t, 4.5, *r.LikelihoodRatioBelow, 1e-12)
	r, err = StallTest(StallTestInput{Sensitivity: new(0.25), Specificity: new(0.75), Prevalence: new(0.5)})
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "test_no_better_than_chance", "1 exactly says nothing")
	assert.Contains(t, r.Cautions[0].Text, "add up to 1:")
	r, err = StallTest(StallTestInput{Sensitivity: new(0.3), Specificity: new(0.6), Prevalence: new(0.5)})
	require.NoError(t, err)
	assert.Contains(t, codes(r.Cautions), "test_no_better_than_chance")
}

func TestStallTestEveryPublishedKindIsUsable(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range StallTests() {
		r, err := StallTest(StallTestInput{Kind: k.Kind, CutGPerL: &k.CutGPerL})
		require.NoError(t, err, k.Kind)
		assert.Equal(t, k.CutGPerL, *r.CutGPerL)
		assert.Contains(t, r.Sources, k.Source)
		assert.Greater(t, k.Sensitivity+k.Specificity, 1.0, "%s at %v: swapped?", k.Kind, k.CutGPerL)
		key := k.Kind + num(k.CutGPerL)
		assert.False(t, seen[key], "one row for a kind and a cut")
		seen[key] = true
	}
}

// Two studies of digital Brix disagree: the plain name is the larger clinical one's,
// and each answer tells both.
func TestStallTestOfBrixShowsBothStudies(t *testing.T) {
	for kind, se := range map[string]float64{"digital_brix": 0.881, "digital_brix_arabian_foals": 1} {
		r, err := StallTest(StallTestInput{Kind: kind, CutGPerL: new(4.0)})
		require.NoError(t, err)
		assert.Equal(t, se, r.Sensitivity)
		text := ""
		for _, c := range r.Cautions {
			text += c.Text
		}
		assert.Contains(t, text, "88.1 and 67.7 %")
		assert.Contains(t, text, "100 and 69.3 %")
	}
	for _, k := range StallTests() {
		assert.NotRegexp(t, `immunoassay_[a-z]$`, k.Kind, "named by method and study, not by a paper's letter")
	}
}

func TestStallTestRefusesSlips(t *testing.T) {
	se := func() StallTestInput { return StallTestInput{Sensitivity: new(0.9), Specificity: new(0.8)} }
	for name, c := range map[string]struct {
		spoil func(*StallTestInput)
		field string
	}{
		"per cent":        {func(in *StallTestInput) { in.Sensitivity = new(90.0) }, "sensitivity"},
		"per cent of two": {func(in *StallTestInput) { in.Specificity = new(80.0) }, "specificity"},
		"positive":        {func(in *StallTestInput) { in.Result = "positive" }, "result"},
		"prevalence":      {func(in *StallTestInput) { in.Prevalence = new(16.0) }, "prevalence"},
		"both":            {func(in *StallTestInput) { in.Kind = "zinc_sulfate" }, "kind"},
		"one and a kind":  {func(in *StallTestInput) { in.Kind, in.Specificity = "zinc_sulfate", nil }, "kind"},
		"none":            {func(in *StallTestInput) { in.Sensitivity = nil }, "sensitivity"},
		"cut in mg/dL":    {func(in *StallTestInput) { in.CutGPerL = new(800.0) }, "cut_g_per_l"},
		"no such kind":    {func(in *StallTestInput) { *in = StallTestInput{Kind: "x"} }, "kind"},
		"no such cut":     {func(in *StallTestInput) { *in = StallTestInput{Kind: "glutaraldehyde", CutGPerL: new(4.0)} }, "cut_g_per_l"},
		"two cuts":        {func(in *StallTestInput) { *in = StallTestInput{Kind: "zinc_sulfate"} }, "cut_g_per_l"},
	} {
		t.Run(name, func(t *testing.T) {
			in := se()
			c.spoil(&in)
			_, err := StallTest(in)
			refused(t, err, c.field)
		})
	}
}

// The twin counts foals in a field of a million instead of using Bayes' rule.
func TestStallTestAgreesWithCounting(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		draw := func(label string) float64 { return float64(rapid.IntRange(1, 99).Draw(t, label)) / 100 }
		se, sp, p := draw("se"), draw("sp"), draw("p")
		r, err := StallTest(StallTestInput{Sensitivity: &se, Specificity: &sp, Prevalence: &p, Result: ResultAbove})
		require.NoError(t, err)
		low, other := 1e6*p, 1e6*(1-p)
		missed, right := low-low*se, other*sp
		require.InDelta(t, missed/(missed+right), *r.ProbBelowCut, 1e-9)
	})
}

func TestStallTestNeverGivesNonsense(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := StallTestInput{
			Sensitivity: soft(t, "se", 0, 0.5, 1), Specificity: soft(t, "sp", 0, 0.5, 1),
			Prevalence: soft(t, "p", 0, 0.1, 1), CutGPerL: soft(t, "cut", 4, 8),
			Result: rapid.SampledFrom([]string{"", ResultBelow, ResultAbove, "?"}).Draw(t, "result"),
		}
		r, err := StallTest(in)
		if err != nil {
			_, ok := refusal.As(err)
			require.True(t, ok)
			return
		}
		for _, v := range []*float64{r.ProbBelowCut, r.LikelihoodRatioBelow, r.LikelihoodRatioAbove} {
			require.True(t, v == nil || finite(*v))
		}
	})
}

func BenchmarkStallTest(b *testing.B) {
	in := StallTestInput{Kind: "zinc_sulfate", CutGPerL: new(8.0), Prevalence: new(0.2), Result: ResultBelow}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := StallTest(in); err != nil {
			b.Fatal(err)
		}
	}
}
