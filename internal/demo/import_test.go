package demo

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"thawtrail/internal/clock"
)

// TestAListIsTakenInWhole types the import of lists on a laptop: a trial saves nothing, one
// row that does not fit keeps all out, and the same list again adds nothing.
func TestAListIsTakenInWhole(t *testing.T) {
	a := startAlone(t)
	a.begin("1")
	file := func(name, text string) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	before := a.records()
	const head = "product,batch,expiry,mL each,bags,place\n"
	bad := file("bad.csv", head+"Foal plasma,K77,2099-03,950,3,north car\nFoal plasma,K78,2099-03,950,2,nowhere\nFoal plasma,K79,2099-13,950,2,north car\n")
	for _, more := range [][]string{nil, {"--save"}} {
		out, errs, code := commandOutput(t, append([]string{"import", bad, "--kind", "stock", "--at", a.site.proc.address}, more...)...)
		require.NotZero(t, code)
		require.Contains(t, out, "row 2    would be saved")
		require.Contains(t, out, `row 3    not saved: place: "nowhere"`)
		require.Contains(t, out, `row 4    not saved: expiry: "2099-13"`)
		require.Contains(t, errs, "nothing was saved: 2 of 3 rows")
		require.Equal(t, before, a.records())
	}
	good := file("good.csv", head+"Foal plasma,K77,2099-03,950,3,north car\nFoal plasma,K78,2099-03,950,2,north car\n")
	require.Contains(t, a.types("import", good, "--kind", "stock"), "2 rows would be saved, 0 already there. Nothing was saved yet")
	require.Equal(t, before, a.records())
	require.Contains(t, a.types("import", good, "--kind", "stock", "--save"), "2 rows saved, 0 already there.")
	require.NotEqual(t, before, a.records())
	stock := a.types("stock")
	require.Contains(t, stock, "K77")
	require.Contains(t, stock, "K78")
	after := a.records()
	require.Contains(t, a.types("import", good, "--kind", "stock", "--save"), "0 rows saved, 2 already there.")
	require.Equal(t, after, a.records())

	book := excelize.NewFile()
	require.NoError(t, book.SetSheetRow("Sheet1", "A1", &[]any{"Name", "Telephone"}))
	require.NoError(t, book.SetSheetRow("Sheet1", "A2", &[]any{"P. Hollis", "0491 570 156"}))
	clients := filepath.Join(t.TempDir(), "clients.xlsx")
	require.NoError(t, book.SaveAs(clients))
	require.NoError(t, book.Close())
	require.Contains(t, a.types("import", clients, "--kind", "clients", "--save"), "1 row saved")
	require.Contains(t, a.types("import", file("more.csv", "name,telephone\nP. Hollis,0491 570 157\nT. Marsh,\n"), "--kind", "clients", "--save"), "1 row saved, 1 already there.")

	mares := file("mares.csv", "mare,due,owner\nQuiet Harbour,"+(clock.System{}).Now().AddDate(0, 0, 60).Format(time.DateOnly)+",P. Hollis\n")
	require.Contains(t, a.types("import", mares, "--kind", "mares", "--save", "--json"), `"fate": "saved"`)
	_, errs, code := commandOutput(t, "import", file("odd.csv", "mare,colour\nA,bay\n"), "--kind", "mares", "--at", a.site.proc.address)
	require.NotZero(t, code)
	require.Contains(t, errs, `"colour" was refused; expected one of: mare, served, due`)

	day := (clock.System{}).Now().AddDate(0, 0, -2).Format(time.DateOnly)
	cold := file("logger.csv", "time,temperature\n"+day+" 08:00,-19.5\n"+day+" 20:00,-18.2\n"+day+" 12:00,-17.9\n")
	require.Contains(t, a.types("import", cold, "--kind", "temperatures", "--place", "north car", "--save"), "1 row saved, 0 already there.")
	require.Contains(t, a.types("import", cold, "--kind", "temperatures", "--place", "north car", "--save"), "0 rows saved, 1 already there.")
	require.Contains(t, a.types("place", "show", "north car"), "-18.2")
	_, errs, code = commandOutput(t, "import", cold, "--kind", "temperatures", "--at", a.site.proc.address)
	require.NotZero(t, code)
	require.Contains(t, errs, "where the logger lay")
}
