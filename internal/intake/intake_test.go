package intake_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/input"
	"thawtrail/internal/intake"
	"thawtrail/internal/sheet"
)

func lines(t *testing.T, word, text string) ([]intake.Line, error) {
	t.Helper()
	kind, err := intake.KindOf(word)
	require.NoError(t, err)
	table, err := sheet.Read([]byte(text))
	require.NoError(t, err)
	now := time.Date(2026, 11, 29, 9, 0, 0, 0, time.UTC)
	return kind.Lines(table, input.Clock{Now: func() time.Time { return now }, Zone: time.UTC})
}

// TestRowsBecomeEntries reads a list of each kind, by the words of the trade.
func TestRowsBecomeEntries(t *testing.T) {
	got, err := lines(t, "stock", "Product,LOT,Use-by,Volume (mL),Bags,Freezer,IgG mg/dL,Price\nFoal plasma,H2207,2028-03,950,3,north car,2450,310.50\n")
	require.NoError(t, err)
	require.NoError(t, got[0].Refused)
	p := got[0].Entry.GetOpeningStock()
	assert.Equal(t, []any{2, "Foal plasma", "H2207", "2028-03", int32(950), int32(3), "north car", int32(2450), int64(31050)},
		[]any{got[0].Row, p.Product, p.Batch, p.Expiry, p.VolumeMl, p.Count, p.Place, p.GetIggCgPerL(), p.GetCostMinor()})

	got, err = lines(t, "mares", "mare;last service;owner\nQuiet Harbour;2026-02-14;P. Hollis\nFar Meadow;;\n")
	require.NoError(t, err)
	m := got[0].Entry.GetMareDue()
	assert.Equal(t, []string{"Quiet Harbour", "2026-02-14", "P. Hollis"}, []string{m.Name, m.ServedOn, m.Client})
	assert.Equal(t, "Far Meadow", got[1].Entry.GetMareDue().Name)

	got, err = lines(t, "clients", "Name\tTelephone\nP. Hollis\t0491 570 156\n")
	require.NoError(t, err)
	require.NoError(t, got[0].Refused)
	assert.NotNil(t, got[0].Entry.GetClientAdded().Telephone)
}

// TestWhatIsWrongIsNamedByRow tells the row's column as the file does, and the value in it.
func TestWhatIsWrongIsNamedByRow(t *testing.T) {
	got, err := lines(t, "stock", "product,batch,use by,mL,bags,freezer\nFoal plasma,H2207,2028-13,950,3,x\nFoal plasma,H2207,2028-03,0.95,3,x\nFoal plasma,,2028-03,950,3,x\n"+
		"Foal plasma,H2207,2028-03,950,3,x,more\n")
	require.NoError(t, err)
	for i, says := range []string{`use by: "2028-13"`, `mL: "0.95"`, "batch", `"more"`} {
		require.ErrorContains(t, got[i].Refused, says, i)
		assert.Equal(t, i+2, got[i].Row)
	}
}

// TestColumnsThatAreNotKnownAreRefused: what stands in them would be lost unseen.
func TestColumnsThatAreNotKnownAreRefused(t *testing.T) {
	for text, says := range map[string]string{
		"product,batch,expiry,mL,bags,place,colour\na,b,c,d,e,f,g\n": `column: "colour" was refused; expected one of: product, batch, expiry, mL each, bags, place`,
		"product,batch,expiry,mL,bags\na,b,c,d,e\n":                  `a column "place"`,
		"product,batch,lot,expiry,mL,bags,place\na,b,c,d,e,f,g\n":    `"batch" is one already`,
		"product,,batch,expiry,mL,bags,place\na,x,b,c,d,e,f\n":       "column",
	} {
		_, err := lines(t, "stock", text)
		require.ErrorContains(t, err, says, text)
	}
	got, err := lines(t, "clients", "name,,\nP. Hollis\n")
	require.NoError(t, err, "an empty column holds nothing to lose")
	require.Len(t, got, 1)
	_, err = intake.KindOf("horses")
	require.ErrorContains(t, err, "stock, mares, clients or temperatures")
}

// TestTheSameRowHasTheSameID wherever it stands, and twice in one file it is two.
func TestTheSameRowHasTheSameID(t *testing.T) {
	one, err := lines(t, "mares", "mare,due\nA,2027-02-01\nB,2027-02-01\nA,2027-02-01\n")
	require.NoError(t, err)
	two, err := lines(t, "mares", "Due date,Name\n2027-02-01,B\n2027-02-01,A\n2027-02-02,A\n2027-02-01,A\n")
	require.NoError(t, err)
	assert.Equal(t, one[0].ID, two[1].ID)
	assert.Equal(t, one[1].ID, two[0].ID)
	assert.Equal(t, one[2].ID, two[3].ID)
	assert.NotEqual(t, one[0].ID, one[2].ID)
	assert.NotContains(t, []string{one[0].ID, one[1].ID, one[2].ID}, two[2].ID)
}
