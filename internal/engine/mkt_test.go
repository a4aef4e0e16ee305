package engine

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestMktAgainstComputedVectors(t *testing.T) {
	for _, row := range published(t, "mkt.csv") {
		var readings []float64
		for range int(row.num(t, "times")) {
			for _, text := range strings.Fields(row["celsius"]) {
				v, err := strconv.ParseFloat(text, 64)
				require.NoError(t, err)
				readings = append(readings, v)
			}
		}
		r, err := Mkt(MktInput{Celsius: readings})
		require.NoError(t, err)
		assert.InDelta(t, row.num(t, "mean_kinetic_c"), r.MeanKineticC, row.num(t, "within"), row)
		assert.Contains(t, codes(r.Cautions), "mkt_never_extends")
	}
}

func TestMktCautionsAndRefusals(t *testing.T) {
	r, err := Mkt(MktInput{Celsius: []float64{-20, -20, 2}})
	require.NoError(t, err)
	assert.Equal(t, []string{"mkt_never_extends", "mkt_across_melt", "mkt_few_readings"}, codes(r.Cautions))
	r, err = Mkt(MktInput{Celsius: slices.Repeat([]float64{4}, 12)})
	require.NoError(t, err)
	assert.Equal(t, []string{"mkt_never_extends"}, codes(r.Cautions))
	for _, bad := range [][]float64{nil, {math.NaN()}, {4, math.Inf(1)}, {4, 101}, make([]float64, maxReadings+1)} {
		_, err := Mkt(MktInput{Celsius: bad})
		refused(t, err, "celsius")
	}
	_, err = Mkt(MktInput{Celsius: []float64{4}, DHOverRK: new(83.144)})
	refused(t, err, "dh_over_r_k")
}

func TestMktLaws(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		readings := rapid.SliceOfN(rapid.Float64Range(-100, 70), 1, 50).Draw(t, "readings")
		in := MktInput{Celsius: readings, DHOverRK: soft(t, "k", 5000, 10000, 20000)}
		r, err := Mkt(in)
		if err != nil {
			return
		}
		require.InDelta(t, r.MeanKineticC, max(r.MeanKineticC, r.MeanC), 1e-6, "never under the plain mean")
		require.GreaterOrEqual(t, r.MeanKineticC, slices.Min(readings))
		require.LessOrEqual(t, r.MeanKineticC, slices.Max(readings))
		warmer := slices.Clone(readings)
		warmer[0] = min(warmer[0]+5, 70)
		w, err := Mkt(MktInput{Celsius: warmer, DHOverRK: in.DHOverRK})
		require.NoError(t, err)
		require.GreaterOrEqual(t, w.MeanKineticC, r.MeanKineticC-1e-9)
	})
}

func TestSourcePlasmaRule(t *testing.T) {
	short := Excursion{40, -6, true}
	for _, c := range []struct {
		episodes []Excursion
		want     ExcursionClass
	}{
		{nil, ExcursionNone},
		{[]Excursion{{100, -20, true}}, ExcursionNone},
		{[]Excursion{short}, ExcursionExempt},
		{[]Excursion{{100, -21, true}, short}, ExcursionExempt},
		{[]Excursion{{72, -6, true}}, ExcursionExempt},
		{[]Excursion{{73, -6, true}}, ExcursionSalvaged},
		{[]Excursion{{40, -4, true}}, ExcursionSalvaged},
		{[]Excursion{{40, -5, true}}, ExcursionSalvaged},
		{[]Excursion{{40, -6, false}}, ExcursionSalvaged},
		{[]Excursion{short, short}, ExcursionSalvaged},
		{[]Excursion{short, {1, 10, false}}, ExcursionBeyond},
	} {
		got, err := SourcePlasmaClass(c.episodes)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "%v", c.episodes)
	}
	_, err := SourcePlasmaClass([]Excursion{{math.NaN(), -6, true}})
	refused(t, err, "warm")
	_, err = SourcePlasmaClass([]Excursion{{1, 200, true}})
	refused(t, err, "warm")
	assert.Contains(t, ExcursionNotice, "information only")
}

func BenchmarkMkt(b *testing.B) {
	in := MktInput{Celsius: slices.Repeat([]float64{2, 4, 8}, 12)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Mkt(in); err != nil {
			b.Fatal(err)
		}
	}
}
