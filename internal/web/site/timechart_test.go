package site

import (
	"encoding/xml"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/ledger"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

var start = time.Date(2026, 11, 24, 15, 10, 0, 0, time.UTC)

// vitalsAt are looks at minutes after a start, at the times that a treatment has.
func vitalsAt(minutes ...int) []ledger.Vitals {
	var out []ledger.Vitals
	for i, m := range minutes {
		v := ledger.Vitals{HeartRate: new(int32(96 + i)), BreathingRate: new(int32(36 - i)), TemperatureDc: new(int32(383 + i))}
		v.Stamp.AtMs = start.Add(time.Duration(m) * time.Minute).UnixMilli()
		out = append(out, v)
	}
	return out
}

var firstLine = regexp.MustCompile(`<path d="(M[^"]*)" fill="none" stroke="[^"]*" stroke-width="2"/>`)

// pointsOf reads the points of the first line of a picture.
func pointsOf(t require.TestingT, svg string) (xs []float64) {
	m := firstLine.FindStringSubmatch(svg)
	require.NotNil(t, m)
	for _, p := range strings.FieldsFunc(m[1], func(r rune) bool { return r == 'M' || r == 'L' }) {
		x, err := strconv.ParseFloat(strings.Fields(p)[0], 64)
		require.NoError(t, err)
		xs = append(xs, x)
	}
	return xs
}

// Points stand at their minutes: distances on paper are as the times between.
func TestVitalsStandAtTheirMinutes(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		minutes := []int{0}
		for range rapid.IntRange(1, 30).Draw(t, "looks") {
			minutes = append(minutes, minutes[len(minutes)-1]+rapid.IntRange(1, 600).Draw(t, "minutes"))
		}
		svg := string(VitalsOverTime(vitalsAt(minutes...), time.UTC).Draw(lightChart))
		xs := pointsOf(t, svg)
		require.Len(t, xs, len(minutes))
		last := len(minutes) - 1
		for i, m := range minutes {
			want := xs[0] + (xs[last]-xs[0])*float64(m)/float64(minutes[last])
			require.InDelta(t, want, xs[i], 0.2)
		}
		require.InDelta(t, plotLeft, xs[0], 0.1)
		require.InDelta(t, lightChart.Width-plotEdge, xs[last], 0.1)
	})
}

// What is odd makes a picture all the same, well formed and of few marks.
func TestOddVitalsMakeAPicture(t *testing.T) {
	far := vitalsAt(0, 1)
	far[1].Stamp.AtMs = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()
	empty := vitalsAt(0, 5)
	empty[0].HeartRate, empty[1].HeartRate, empty[1].TemperatureDc = nil, nil, nil
	wild := vitalsAt(0, 5)
	*wild[0].HeartRate, *wild[1].TemperatureDc = 1<<31-1, -1<<31
	for name, v := range map[string][]ledger.Vitals{"none": nil, "one": vitalsAt(7), "together": vitalsAt(3, 3), "far apart": far, "values missing": empty, "wild": wild} {
		svg := string(VitalsOverTime(v, time.FixedZone("", 34200)).Draw(darkChart))
		require.NoError(t, xml.Unmarshal([]byte(svg), new(struct{ XMLName xml.Name })), name)
		assert.NotContains(t, svg, "NaN", name)
		assert.NotContains(t, svg, "Inf", name)
		assert.LessOrEqual(t, strings.Count(svg, "text-anchor=\"middle\""), maxTimeMarks+1, name)
		phone := darkChart
		phone.Width = narrowChart
		svg = string(VitalsOverTime(v, time.FixedZone("", 34200)).Draw(phone))
		require.NoError(t, xml.Unmarshal([]byte(svg), new(struct{ XMLName xml.Name })), name)
		assert.LessOrEqual(t, strings.Count(svg, "text-anchor=\"middle\""), maxTimeMarks/2+1, name)
	}
}

// Marks below the chart are round by the clock on the wall, in a zone that is half
// an hour off the others too.
func TestTimeMarksAreRound(t *testing.T) {
	zone := time.FixedZone("", 34200)
	svg := string(VitalsOverTime(vitalsAt(0, 5, 10, 15, 30, 45, 60, 75), zone).Draw(lightChart))
	marks := regexp.MustCompile(`>(\d\d):(\d\d)<`).FindAllStringSubmatch(svg, -1)
	require.Greater(t, len(marks), 3)
	for _, m := range marks {
		assert.Equal(t, "0", m[2][1:], "an hour and a quarter is marked every ten minutes")
	}
}

// The running sum is drawn for the newest transfusions alone, beside the sum at which a
// signal stands.
func TestSumsOverTime(t *testing.T) {
	of := &pb.ReactionChart{Decision: 2.5}
	for i := range 100 {
		of.Sums = append(of.Sums, float64(i%4))
		of.SumsAtMs = append(of.SumsAtMs, int64(i)*3_600_000)
	}
	c := SumsOverTime(of, time.UTC)
	require.Len(t, c.Lines[0].Points, MaxSums)
	require.Equal(t, timePoint{99 * 3_600_000, 3}, c.Lines[0].Points[MaxSums-1])
	require.Equal(t, []timePoint{{40 * 3_600_000, 2.5}, {99 * 3_600_000, 2.5}}, c.Lines[1].Points)
	require.Contains(t, string(c.Draw(lightChart)), "a signal stands here")
	require.Empty(t, SumsOverTime(nil, time.UTC).Lines[0].Points, "without transfusions it is an empty frame")
}
