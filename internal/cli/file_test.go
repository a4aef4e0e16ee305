package cli

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

// TestAListAsAFile writes a list in each form, prints one, and its schema; a list and a
// form that are not there are refused with those that are, and no file is left.
func TestAListAsAFile(t *testing.T) {
	l := startLaptop(t)
	l.begin()
	said := func(exit int, typed string) string {
		t.Helper()
		out, errs := l.types(exit, typed)
		return out + errs
	}
	l.made("open foal --dam 'Quiet Harbour' --sex filly --clock-right")
	dir := t.TempDir()
	for _, form := range []string{"csv", "jsonl", "xlsx"} {
		path := filepath.Join(dir, "cases."+form)
		require.Contains(t, said(exitDone, "audit file cases --as "+form+" --out "+path), "1 row written")
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077)
	}
	book, err := excelize.OpenFile(filepath.Join(dir, "cases.xlsx"))
	require.NoError(t, err)
	require.Equal(t, []string{"cases"}, book.GetSheetList())
	require.NoError(t, book.Close())
	require.Contains(t, said(exitDone, "audit file cases --out -"), "foal of Quiet Harbour")
	require.NotContains(t, said(exitDone, "audit file cases --from 2001-01 --out -"), "Quiet Harbour")
	require.Contains(t, said(exitDone, "audit file cases --schema"), "json-schema.org")

	path := filepath.Join(dir, "none.csv")
	require.Contains(t, said(exitRefused, "audit file case --out "+path), "discrepancies")
	require.Contains(t, said(exitRefused, "audit file cases --as pdf --out "+path), "xlsx")
	require.Contains(t, said(exitRefused, "audit file overrides --yard Mill --out "+path), "Mill")
	_, err = os.Stat(path)
	require.ErrorIs(t, err, os.ErrNotExist)
}
