package engine

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// publishedRow is one line of a table under testdata/engine, by column name.
type publishedRow map[string]string

// published reads a table: a header line, # comments, every row with a source.
func published(t testing.TB, name string) []publishedRow {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "engine", name))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(lines), 1, "an empty table proves nothing")
	var rows []publishedRow
	for _, line := range lines[1:] {
		row := publishedRow{}
		for i, column := range lines[0] {
			row[column] = line[i]
		}
		require.NotEmpty(t, row["source"], "row %v", line)
		rows = append(rows, row)
	}
	return rows
}

// num reads a number that must be there.
func (r publishedRow) num(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, "%v: %s", r, column)
	return v
}

// maybe reads a number that may be absent.
func (r publishedRow) maybe(t testing.TB, column string) *float64 {
	t.Helper()
	if r[column] == "" {
		return nil
	}
	return new(r.num(t, column))
}

// codes are the codes of raised cautions.
func codes(raised []caution.Raised) []string {
	var out []string
	for _, r := range raised {
		out = append(out, r.Code)
	}
	return out
}

// refused demands a refusal of one field and returns it.
func refused(t testing.TB, err error, field string) *refusal.Error {
	t.Helper()
	r, ok := refusal.As(err)
	require.True(t, ok, "want a refusal of %s, got %v", field, err)
	require.Equal(t, field, r.Field, "%v", r)
	return r
}

// wild is any float a program may be handed.
func wild() *rapid.Generator[float64] {
	return rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 2000), rapid.SampledFrom([]float64{
		0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64,
	}))
}

// soft is an optional value that is mostly good, so that wild inputs get far.
func soft(t *rapid.T, label string, good ...float64) *float64 {
	switch rapid.IntRange(0, 9).Draw(t, label+"?") {
	case 0:
		return nil
	case 1:
		return new(wild().Draw(t, label))
	}
	return new(rapid.SampledFrom(good).Draw(t, label))
}

// finiteRange demands three finite numbers in order.
func finiteRange(t require.TestingT, rs ...Range) {
	for _, r := range rs {
		for _, v := range []float64{r.Low, r.Mid, r.High} {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%v", r)
		}
		require.True(t, r.Low <= r.Mid && r.Mid <= r.High, "%v", r)
	}
}

func TestInputsKeepTheFirstRefusal(t *testing.T) {
	c := &inputs{basis: &Basis{}}
	c.one(boundsBag, 950)
	require.NoError(t, c.err)
	c.one(boundsBag, 0)
	c.one(boundsAge, -1)
	c.span(boundsWeight, Range{1, 2, 3})
	c.refuse(refusal.New("other", 1, "2"))
	refused(t, c.err, "bag_ml")
	c = &inputs{basis: &Basis{}}
	c.span(boundsWeight, Range{1, 50, 60})
	c.one(boundsBag, 0)
	refused(t, c.err, "weight_kg")
}

func TestInputsSpan(t *testing.T) {
	for _, r := range []Range{{10, 9, 20}, {10, 30, 20}} {
		c := &inputs{basis: &Basis{}}
		c.span(boundsWeight, r)
		assert.Contains(t, refused(t, c.err, "weight_kg").Value, num(r.Low)+", "+num(r.Mid)+", "+num(r.High))
	}
	c := &inputs{basis: &Basis{}}
	c.span(boundsDonor, Range{5, 6, 40})
	assert.Equal(t, []string{"implausible_input"}, codes(c.basis.Cautions), "said once")
	for _, r := range []Range{{5, 10, 20}, {10, 20, 40}} {
		c := &inputs{basis: &Basis{}}
		c.span(boundsDonor, r)
		assert.Len(t, c.basis.Cautions, 1, "an unusual end of %v", r)
	}
}

func TestRangeText(t *testing.T) {
	assert.Equal(t, "2", Exactly(2).text())
	assert.Equal(t, "2 (1 to 3)", Range{1, 2, 3}.text())
}
