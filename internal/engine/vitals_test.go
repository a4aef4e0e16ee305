package engine

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// looksOf reads looks such as "b 380 90 30; 391 - -": b marks a baseline, - was not
// measured. They are a minute apart.
func looksOf(text string) (looks []VitalsLook) {
	for i, part := range strings.Split(text, ";") {
		look := VitalsLook{AtMs: int64(i) * 60_000}
		words := strings.Fields(part)
		if words[0] == "b" {
			look.Baseline, words = true, words[1:]
		}
		for s, w := range words {
			if w == "-" {
				continue
			}
			v := int32(0)
			for _, c := range w {
				v = v*10 + int32(c-'0')
			}
			look.Values[s] = &v
		}
		looks = append(looks, look)
	}
	return looks
}

// standing tells the alarms that stand, in short.
func standing(w VitalsWatch) string {
	var out []string
	for _, a := range w.Standing {
		out = append(out, a.Text())
	}
	return strings.Join(out, ", ")
}

func TestAlarmsStandUntilTheSignIsMeasuredWithinItsLimit(t *testing.T) {
	for name, c := range map[string]struct{ looks, want string }{
		"nothing noted beyond a baseline":             {"b 380 90 30", ""},
		"within limits":                               {"b 380 90 30; 389 109 44", ""},
		"a rise of 1 C exactly":                       {"b 380 90 30; 390 90 30", "temperature up 1 C from 38 C (limit 1 C)"},
		"a fall of temperature":                       {"b 380 90 30; 369 90 30", "temperature down 1.1 C from 38 C (limit 1 C)"},
		"heart rate up":                               {"b 380 90 30; 380 110 30", "heart rate up 20/min from 90/min (limit 20/min)"},
		"heart rate down":                             {"b 380 90 30; 380 70 30", "heart rate down 20/min from 90/min (limit 20/min)"},
		"breathing up":                                {"b 380 90 30; 380 90 45", "respiratory rate up 15/min from 30/min (limit 15/min)"},
		"stands when the sign is left out":            {"b 380 90 30; 392 90 30; - 92 31; - - -", "temperature up 1.2 C from 38 C (limit 1 C)"},
		"another sign does not end it":                {"b 380 90 30; 380 120 30; 380 - 30", "heart rate up 30/min from 90/min (limit 20/min)"},
		"ends when measured within limits":            {"b 380 90 30; 392 90 30; 385 - -", ""},
		"two stand, one ends":                         {"b 380 90 30; 392 130 30; 384 - -", "heart rate up 40/min from 90/min (limit 20/min)"},
		"the latest value is told":                    {"b 380 90 30; 392 90 30; 398 90 30", "temperature up 1.8 C from 38 C (limit 1 C)"},
		"no baseline marked: the first value of each": {"380 - 30; - 90 -; 391 111 30", "temperature up 1.1 C from 38 C (limit 1 C), heart rate up 21/min from 90/min (limit 20/min)"},
		"the latest baseline counts":                  {"b 380 90 30; b 388 90 30; 391 90 30", ""},
		"a baseline without a sign keeps the older":   {"b 380 90 30; b - 95 -; 391 95 30", "temperature up 1.1 C from 38 C (limit 1 C)"},
		"a baseline ends no alarm":                    {"b 380 90 30; 395 90 30; b 395 90 30", "temperature up 1.5 C from 38 C (limit 1 C)"},
		"until the sign is measured within":           {"b 380 90 30; 395 90 30; b 395 90 30; 396 90 30", ""},
		"a baseline raises none":                      {"b 380 90 30; b 395 90 30", ""},
		"mL alone is no look":                         {"b 380 90 30; - - -", ""},
	} {
		w := Watch(looksOf(c.looks), VitalsLimits{})
		assert.Equal(t, c.want, standing(w), name)
	}
	assert.Equal(t, -1, Watch(nil, VitalsLimits{}).Measure)
	assert.Equal(t, 0, Watch(looksOf("380 - -; 380 - -"), VitalsLimits{}).Measure)
	assert.Equal(t, 2, Watch(looksOf("b 380 - -; 380 - -; b 381 - -; 382 - -"), VitalsLimits{}).Measure)
}

func TestAlarmsSince(t *testing.T) {
	w := Watch(looksOf("b 380 90 30; 391 90 30; 395 90 30"), VitalsLimits{})
	require.Len(t, w.Standing, 1)
	assert.EqualValues(t, 60_000, w.Standing[0].AtMs, "since it was first seen")
	assert.EqualValues(t, 15, w.Standing[0].Change())
	assert.Equal(t, VitalsJudged{Compared: [3]bool{true, true, true}, Change: [3]int32{11, 0, 0}, Alarm: [3]bool{true}}, w.Looks[1])
	assert.Equal(t, VitalsJudged{}, w.Looks[0])
	shifted := Watch(looksOf("b 380 90 30; b 395 90 -"), VitalsLimits{})
	assert.EqualValues(t, 15, shifted.Looks[1].Change[Temperature], "the change from the baseline before is shown")
	assert.Equal(t, [3]bool{}, shifted.Looks[1].Alarm)
}

func TestAlarmLimitsAreThePractices(t *testing.T) {
	looks := looksOf("b 380 90 30; 385 105 41")
	assert.Empty(t, Watch(looks, VitalsLimits{}).Standing)
	assert.Len(t, Watch(looks, VitalsLimits{5, 15, 11}).Standing, 3)
	assert.Len(t, Watch(looks, VitalsLimits{HeartRate: 10}).Standing, 1)
	assert.Empty(t, Watch(looksOf("b 380 90 30; 395 119 49"), VitalsLimits{20, 30, 20}).Standing)
}

func TestMayStepUp(t *testing.T) {
	for name, c := range map[string]struct {
		looks   string
		since   int64
		allowed bool
		missing []VitalSign
	}{
		"a set and nothing stands":      {"b 380 90 30; 381 92 31", 60_000, true, nil},
		"the set is from before":        {"b 380 90 30; 381 92 31", 60_001, false, VitalSigns()},
		"no breathing":                  {"b 380 90 30; 381 92 -", 60_000, false, []VitalSign{BreathingRate}},
		"parts of two looks are no set": {"b 380 90 30; 381 - -; - 92 31", 60_000, false, []VitalSign{Temperature}},
		"mL alone":                      {"b 380 90 30; - - -", 60_000, false, VitalSigns()},
		"a set, and an alarm":           {"b 380 90 30; 381 115 31", 60_000, false, nil},
		"an alarm, then all but it":     {"b 380 90 30; 392 90 30; - 90 30", 60_000, false, nil},
		"nothing noted":                 {"- - -", 0, false, VitalSigns()},
	} {
		up := MayStepUp(looksOf(c.looks), VitalsLimits{}, c.since)
		assert.Equal(t, c.allowed, up.Allowed(), name)
		assert.Equal(t, c.missing, up.Missing, name)
	}
}

// The twin asks for each sign alone: the alarm stands exactly when the last value
// that was measured and not marked as baseline was beyond the limit of its time.
func TestWatchAgainstASlowTwin(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		var looks []VitalsLook
		for i := range rapid.IntRange(0, 12).Draw(t, "n") {
			look := VitalsLook{AtMs: int64(i), Baseline: rapid.IntRange(0, 3).Draw(t, "baseline") == 0}
			for _, s := range VitalSigns() {
				if rapid.Bool().Draw(t, "measured") {
					look.Values[s] = new(rapid.OneOf(rapid.Int32Range(0, 60), rapid.Int32()).Draw(t, "value"))
				}
			}
			looks = append(looks, look)
		}
		limits := VitalsLimits{rapid.Int32Range(0, 20).Draw(t, "t"), rapid.Int32Range(0, 20).Draw(t, "h"), rapid.Int32Range(0, 20).Draw(t, "b")}
		w := Watch(looks, limits)
		for _, s := range VitalSigns() {
			want, limit := false, int64(limits[s])
			if limit == 0 {
				limit = int64(DefaultVitalsLimits[s])
			}
			for i := len(looks) - 1; i >= 0; i-- {
				v := looks[i].Values[s]
				if v == nil || looks[i].Baseline {
					continue
				}
				base := baseBefore(looks[:i], s)
				want = base != nil && math.Abs(float64(int64(*v)-int64(*base))) >= float64(limit)
				break
			}
			got := false
			for _, a := range w.Standing {
				got = got || a.Sign == s
				require.NotEmpty(t, a.Text())
			}
			require.Equal(t, want, got, "%v", s)
		}
		require.Equal(t, w, Watch(looks, limits))
	})
}

// baseBefore is the last marked value, else the first value.
func baseBefore(looks []VitalsLook, s VitalSign) (base *int32) {
	for _, l := range looks {
		if v := l.Values[s]; v != nil && (base == nil || l.Baseline) {
			base = v
		}
	}
	return base
}

func TestPublishedRangesAreNotes(t *testing.T) {
	at := func(look string, min int64) (out []string) {
		return codes(OutsidePublished(looksOf(look)[0], min))
	}
	note := "vitals_outside_published"
	assert.Empty(t, at("380 90 35", 20*60))
	assert.Equal(t, []string{note}, at("371 90 35", 20*60))
	assert.Equal(t, []string{note, note, note}, at("390 151 61", 5*60))
	assert.Empty(t, at("371 50 70", 30), "just after birth")
	assert.Equal(t, []string{note}, at("380 130 35", 72*60))
	assert.Empty(t, at("400 200 90", 7*24*60), "nothing was read over a week")
	assert.Empty(t, at("400 200 90", -1), "the age is not known")
	for i := range vitalsBands {
		for _, s := range VitalSigns() {
			assert.Less(t, vitalsBands[i].low[s], vitalsBands[i].high[s])
		}
	}
}

func TestCheckRate(t *testing.T) {
	for _, c := range []struct {
		ml, g           int32
		protocol, label *int32
		want            string
	}{
		{1000, 50_000, nil, nil, ""}, // 20 exactly
		{1001, 50_000, nil, nil, "rate_over_ceiling"},
		{2000, 50_000, nil, nil, "rate_over_ceiling"},
		{2001, 50_000, nil, nil, "rate_over_40"},
		{1500, 50_000, new(int32(30)), nil, ""},
		{501, 50_000, new(int32(10)), nil, "rate_over_ceiling"},
		{2001, 50_000, new(int32(60)), nil, "rate_over_40"}, // no protocol loosens the hard one
		{600, 50_000, nil, new(int32(10)), "rate_over_label"},
		{500, 50_000, nil, new(int32(10)), ""},
		{1200, 50_000, nil, new(int32(10)), "rate_over_ceiling rate_over_label"},
		{600, 0, nil, nil, "rate_not_checked"},
		{601, 0, nil, nil, "rate_without_weight"},
		{0, 50_000, nil, nil, ""},
		{math.MaxInt32, 1, nil, nil, "rate_over_40"},
	} {
		got := CheckRate(NotedRate{MlPerH: c.ml, WeightG: c.g, ProtocolMlPerKgPerH: c.protocol, LabelMlPerKgPerH: c.label})
		assert.Equal(t, c.want, strings.Join(codes(got.Raised), " "), "%+v", c)
		assert.Equal(t, c.want == "", got.WithinLimits, "%+v", c)
		assert.Equal(t, c.ml == 0, got.Clamped)
	}
	over := CheckRate(NotedRate{MlPerH: 1040, WeightG: 50_000})
	assert.EqualValues(t, 20_800, over.UlPerKgPerH)
	assert.Equal(t, "20.8 mL/kg/h is over the ceiling of 20 mL/kg/h. The field's 'a litre in 20 to 30 minutes' would be 40 to 60 mL/kg/h here.", over.Raised[0].Text)
}

func BenchmarkWatch(b *testing.B) {
	looks := looksOf(strings.Repeat("380 90 30;", 39) + "395 90 30")
	b.ReportAllocs()
	for b.Loop() {
		Watch(looks, VitalsLimits{})
	}
}
