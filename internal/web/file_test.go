package web

import (
	"bytes"
	"net/http"
	"strings"
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

// TestLongListsAreNarrowed shows cases of some days, a yard and a person, and what the
// owner reads of some days; what was asked for stands in the fields, and a person who is
// none is said.
func TestLongListsAreNarrowed(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.foal("Slate")
	month := d.clock.Now().UTC().Format("2006-01")
	for address, there := range map[string]bool{
		"/cases": true, "/cases?from=" + month: true, "/cases?person=M.+Alder": true, "/cases?from=2001-01&to=2001-02": false, "/cases?yard=nowhere": false,
	} {
		require.Equal(t, there, strings.Contains(d.get(address), "Slate"), address)
	}
	require.Contains(t, d.get("/cases?from=2001-01&to=2001-02"), `value="2001-02"`)
	for _, page := range []string{"/owner/late", "/owner/corrections", "/owner/doubts"} {
		require.Contains(t, d.get(page+"?from=2001-01"), `<details class="no-print" open>`)
	}
	code, body := d.ask("/cases?person=Nobody+At+All")
	require.GreaterOrEqual(t, code, http.StatusBadRequest)
	require.Contains(t, plainText(body), "Nobody At All")
}
