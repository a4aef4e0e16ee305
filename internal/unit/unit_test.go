package unit

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// TestUnits is the table of what is shown beside a stored count.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit         *Unit
		count, scale int64
		want         string
	}{
		{&Pound, 45_359_237, 100_000_000, "1.0 lb"},
		{&Pound, 52_500, 1000, "115.7 lb"}, // 115.742...
		{&Pound, 500_000, 1000, "1102.3 lb"},
		{&Fahrenheit, 385, 10, "101.3 °F"},
		{&Fahrenheit, 0, 10, "32.0 °F"},
		{&Fahrenheit, -400, 10, "-40.0 °F"},
		{&Fahrenheit, 1000, 10, "212.0 °F"},
		{&MgPerDL, 825, 100, "825 mg/dL"},
		{&MgPerDL, 0, 100, "0 mg/dL"},
	} {
		assert.Equal(t, c.want, c.unit.Show(c.count, c.scale))
	}
	for _, c := range []struct {
		of, typed string
		found     *Unit
	}{
		{"kg", "lb", &Pound}, {"kg", "LBS", &Pound}, {"C", "f", &Fahrenheit}, {"C", "°F", &Fahrenheit}, {"g/L", "MG/DL", &MgPerDL},
		{"kg", "F", nil}, {"mL", "lb", nil}, {"", "lb", nil}, {"kg", "", nil}, {"kg", "kg", nil},
	} {
		assert.Same(t, c.found, Find(c.of, c.typed), "%s in a field of %s", c.typed, c.of)
	}
	_, fits := Nearest(new(big.Rat).SetFrac(new(big.Int).Lsh(big.NewInt(1), 63), big.NewInt(1)))
	require.False(t, fits)
}

// steps are the units with the scale at which their field is kept, and the numbers that
// are typed of them.
var steps = []struct {
	unit  *Unit
	scale int64
	typed int64 // steps of what is typed to one of the unit
	most  int64
}{{&Pound, 1000, 10, 40_000}, {&Fahrenheit, 10, 10, 2120}, {&MgPerDL, 100, 1, 10_000}, {&gPerDL, 10, 10, 150}}

// Converting loses nothing before the one rounding at its end: back and forth is the
// number itself, and what is kept is within half a step of what was typed.
func TestRoundTrips(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(steps).Draw(t, "unit")
		x := big.NewRat(rapid.Int64Range(-s.most, s.most).Draw(t, "typed"), s.typed)
		own := s.unit.FromTyped(x)
		require.Zero(t, x.Cmp(s.unit.ToTyped(own)), "exact")
		kept, fits := Nearest(new(big.Rat).Mul(own, new(big.Rat).SetInt64(s.scale)))
		require.True(t, fits)
		off := new(big.Rat).Sub(big.NewRat(kept, s.scale), own)
		require.LessOrEqual(t, off.Abs(off).Cmp(big.NewRat(1, 2*s.scale)), 0, "half a step at most")
	})
}

// What is shown of a record and typed again is the record: for degrees and mg/dL always,
// for pounds, whose shown step is 45 g, within half of that.
func TestWhatIsShownIsTypedAgain(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		for _, s := range steps[:3] {
			count := rapid.Int64Range(0, s.most).Draw(t, "kept")
			shown, ok := new(big.Rat).SetString(s.unit.ToTyped(big.NewRat(count, s.scale)).FloatString(s.unit.Places))
			require.True(t, ok)
			again, _ := Nearest(new(big.Rat).Mul(s.unit.FromTyped(shown), new(big.Rat).SetInt64(s.scale)))
			most := int64(0)
			if s.unit == &Pound {
				most = 23
			}
			require.LessOrEqual(t, max(again-count, count-again), most, "%s", s.unit.Names[0])
		}
	})
}

// TestHours is the table of the two clocks.
func TestHours(t *testing.T) {
	for text, want := range map[string]string{
		"7:30 pm": "19:30", "7:30PM": "19:30", "07:30 a.m.": "07:30", "12:05 am": "00:05", "12 pm": "12:00", "7pm": "19:00",
		"2027-04-03 7:30 pm": "2027-04-03 19:30", "19:30": "19:30", "-20m": "-20m", "20 m ago": "20 m ago", "now": "now", "": "",
	} {
		got, ok := Hours24(text)
		assert.True(t, ok, text)
		assert.Equal(t, want, got, text)
	}
	for _, text := range []string{"13:00 pm", "0:30 am", "7:60 pm", "19:30 pm"} {
		_, ok := Hours24(text)
		assert.False(t, ok, text)
	}
	for text, want := range map[string]string{
		"due 19:30, not 07:05": "due 19:30 (7:30 pm), not 07:05 (7:05 am)", "00:00 on 2 Jan": "00:00 (12:00 am) on 2 Jan", "12:00": "12:00 (12:00 pm)",
		"02:58:07 on Monday": "02:58:07 (2:58 am) on Monday", "2027-04-03T02:10:00+01:00": "2027-04-03T02:10:00+01:00", "9:12": "9:12", "1.02:10": "1.02:10", "24:00": "24:00",
	} {
		assert.Equal(t, want, Hours12(text))
	}
}

// A time that is shown by twelve hours and typed so again is the same time.
func TestHoursBothWays(t *testing.T) {
	for hour := range 24 {
		for minute := range 60 {
			at := string([]byte{'0' + byte(hour/10), '0' + byte(hour%10), ':', '0' + byte(minute/10), '0' + byte(minute%10)})
			shown := Hours12(at)
			again, ok := Hours24(shown[len(at)+len(" (") : len(shown)-len(")")])
			require.True(t, ok, shown)
			require.Equal(t, at, again)
		}
	}
}
