package sheet_test

import (
	"archive/zip"
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"thawtrail/internal/refusal"
	"thawtrail/internal/sheet"
)

// TestTextIsRead reads what spreadsheet programs and people write as text.
func TestTextIsRead(t *testing.T) {
	for name, text := range map[string]string{
		"commas":              "batch,bags,note\nH2207,3,\"lid, open\"\n\nH2208,4\n",
		"semicolons":          "batch;bags;note\r\nH2207;3;lid, open\r\n\r\nH2208;4;\r\n",
		"tabs":                "batch\tbags\tnote\nH2207\t3\tlid, open\n\nH2208\t4\n",
		"a mark of the bytes": "\xef\xbb\xbfbatch, bags, note\nH2207, 3, \"lid, open\"\n,,\nH2208, 4\n",
	} {
		got, err := sheet.Read([]byte(text))
		require.NoError(t, err, name)
		assert.Equal(t, []string{"batch", "bags", "note"}, got.Head, name)
		assert.Equal(t, []sheet.Row{{2, []string{"H2207", "3", "lid, open"}}, {4, []string{"H2208", "4"}}}, got.Rows, name)
		assert.Equal(t, "46000", got.DayOf("46000"), "a number in a text is no day")
	}
}

// book makes a workbook of rows.
func book(t testing.TB, rows ...[]any) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	for i, row := range rows {
		at, err := excelize.CoordinatesToCellName(1, i+1)
		require.NoError(t, err)
		require.NoError(t, f.SetSheetRow("Sheet1", at, &row))
	}
	raw, err := f.WriteToBuffer()
	require.NoError(t, err)
	return raw.Bytes()
}

// TestAWorkbookIsRead reads numbers, long numbers and days as they are kept.
func TestAWorkbookIsRead(t *testing.T) {
	got, err := sheet.Read(book(t, []any{"Batch", "Bags", "Chip", "Expiry"}, []any{"H2207", 3, 982000123456789, 46112}, []any{}, []any{"H2208", 4.5, "", "2028-03"}))
	require.NoError(t, err)
	assert.Equal(t, []string{"Batch", "Bags", "Chip", "Expiry"}, got.Head)
	assert.Equal(t, []sheet.Row{{2, []string{"H2207", "3", "982000123456789", "46112"}}, {4, []string{"H2208", "4.5", "", "2028-03"}}}, got.Rows)
	// 1 January 1900 is 1, and 1900 counts as a leap year (ISO/IEC 29500-1, 18.17.4.1).
	assert.Equal(t, "2026-03-31", got.DayOf("46112"))
	assert.Equal(t, "2028-03", got.DayOf("2028-03"))
	assert.Equal(t, "2028", got.DayOf("2028"), "a year is no day")
}

// TestForeignFilesAreRefused gives files that are no table, or too large a one.
func TestForeignFilesAreRefused(t *testing.T) {
	var empty, bomb bytes.Buffer
	require.NoError(t, zip.NewWriter(&empty).Close())
	z := zip.NewWriter(&bomb)
	w, err := z.Create("xl/worksheets/sheet1.xml")
	require.NoError(t, err)
	for range 64 {
		_, err = w.Write(make([]byte, 1<<20))
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	require.Less(t, bomb.Len(), sheet.MaxBytes)
	wide, good := strings.Repeat("a,", sheet.MaxColumns)+"a\n", book(t, []any{"a"}, []any{"b"})
	for name, c := range map[string]struct{ raw, says string }{
		"nothing":            {"", "first row"},
		"a head alone":       {"batch,bags\n\n", "at least one row"},
		"not UTF-8":          {"batch\n\xe9", "UTF-8"},
		"UTF-16":             {"\xff\xfeb\x00a\x00", "UTF-8"},
		"an open quote":      {"batch\n\"H2207\n", "whole quotes"},
		"too wide":           {wide + wide, "columns"},
		"too long":           {"a\n" + strings.Repeat("b\n", sheet.MaxRows+1), "rows at most"},
		"a long way down":    {"a\n" + strings.Repeat("\n", 30000) + "b\n", "rows at most"},
		"a long cell":        {"a\n" + strings.Repeat("b", 5000), "row 2, column 1"},
		"too many bytes":     {strings.Repeat("b", sheet.MaxBytes+1), "4 MB"},
		"an old workbook":    {"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", ".xlsx without a password"},
		"some other archive": {"PK\x03\x04 and nothing", "workbook"},
		"half a workbook":    {string(good[:len(good)/2]), "workbook"},
		"a workbook's bomb":  {bomb.String(), "workbook"},
		"an empty archive":   {empty.String(), ""},
	} {
		_, err := sheet.Read([]byte(c.raw))
		_, refused := refusal.As(err)
		require.True(t, refused, "%s: %v", name, err)
		assert.Contains(t, err.Error(), c.says, name)
	}
}

// FuzzRead has no file break the reader or pass its bounds.
func FuzzRead(f *testing.F) {
	f.Add([]byte("batch;bags\nH2207;3\n"))
	f.Add([]byte("\xef\xbb\xbfa\tb\n\"x\ny\"\t2\n"))
	f.Add(book(f, []any{"a", "b"}, []any{1, "x"}))
	f.Fuzz(func(t *testing.T, raw []byte) {
		got, err := sheet.Read(raw)
		if err != nil {
			_, refused := refusal.As(err)
			require.True(t, refused, "%v", err)
			return
		}
		require.NotEmpty(t, got.Head)
		require.LessOrEqual(t, len(got.Rows), sheet.MaxRows)
		last := 0
		for _, r := range got.Rows {
			require.Greater(t, r.Number, last)
			require.LessOrEqual(t, len(r.Cells), sheet.MaxColumns)
			last = r.Number
			got.DayOf(r.Cell(0))
		}
	})
}
