package web

import (
	"bytes"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"thawtrail/internal/files"
)

// TestEveryListIsAFile saves every list in every form from the owner's page; what a list
// cannot be narrowed by is a page that says so, and no file.
func TestEveryListIsAFile(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.foal("Slate")
	for _, l := range files.Lists() {
		require.Contains(t, d.get("/owner"), `<option value="`+l.Name+`"`)
		for _, as := range files.Formats() {
			body := d.get("/owner/file?list=" + l.Name + "&as=" + string(as) + "&from=&to=&place=&person=&kind=")
			if as == files.Workbook {
				book, err := excelize.OpenReader(bytes.NewReader([]byte(body)))
				require.NoError(t, err, l.Name)
				require.Equal(t, []string{l.Name}, book.GetSheetList())
				require.NoError(t, book.Close())
			}
			if l.Name == "cases" && as != files.Workbook {
				require.Contains(t, body, "Slate")
			}
		}
	}
	require.NotContains(t, d.get("/owner/file?list=cases&as=csv&from=2001-01"), "Slate")
	code, body := d.ask("/owner/file?list=overrides&as=csv&place=clinic")
	require.GreaterOrEqual(t, code, http.StatusBadRequest)
	require.Contains(t, plainText(body), "clinic")
}
