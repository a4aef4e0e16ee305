// Package sheet reads a table that people keep themselves: a text file whose values part at
// commas, semicolons or tabs (RFC 4180), or a workbook (.xlsx, ISO/IEC 29500). It knows
// rows and cells, and not what they mean.
//
// A file is foreign: its size, its rows, its columns and what it unpacks to are bounded, and
// whatever does not read is a *refusal.Error.
package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"thawtrail/internal/refusal"
)

// Bounds of a table.
const (
	MaxBytes   = 4 << 20 // of the file
	MaxRows    = 2000    // below the head, but for ReadUpTo
	MaxColumns = 60
	maxCell    = 4000 // bytes of one cell
	emptyRows  = 10   // the last row that is looked at is so many times that, empty ones counted
)

// Table is what a file holds.
type Table struct {
	Head []string
	Rows []Row
	// Days says that a day may stand as a number, as workbooks keep it: DayOf reads it.
	Days  bool
	since bool // days count from 1904
	most  int  // rows
}

// Row is one below the head; rows without any text are left out.
type Row struct {
	Number int // in the file, as people count: the first is 1
	Cells  []string
}

// Cell is the text of a column, or none.
func (r Row) Cell(column int) string {
	if column < len(r.Cells) {
		return r.Cells[column]
	}
	return ""
}

// Read reads a file; what it is shows at its first bytes.
func Read(raw []byte) (*Table, error) { return ReadUpTo(raw, MaxRows) }

// ReadUpTo reads one with up to so many rows.
func ReadUpTo(raw []byte, rows int) (*Table, error) {
	if len(raw) > MaxBytes {
		return nil, refuse(fmt.Sprintf("%d bytes", len(raw)), fmt.Sprintf("a file of %d MB at most", MaxBytes>>20))
	}
	t := &Table{most: rows}
	if err := t.read(raw); err != nil {
		return nil, err
	}
	if len(t.Head) == 0 {
		return nil, refuse("", "a first row with the names of the columns, and rows below it")
	}
	if len(t.Rows) == 0 {
		return nil, refuse("", "at least one row below the names of the columns")
	}
	return t, nil
}

func (t *Table) read(raw []byte) error {
	switch {
	case bytes.HasPrefix(raw, []byte("PK\x03\x04")):
		return t.readBook(raw)
	case bytes.HasPrefix(raw, []byte("\xd0\xcf\x11\xe0")):
		return refuse("an old workbook, or one with a password", "a workbook saved as .xlsx without a password, or a text file (CSV)")
	}
	return t.readText(raw)
}

func refuse(value, want string) *refusal.Error { return refusal.New("file", value, want) }

// readText reads a text file.
func (t *Table) readText(raw []byte) error {
	raw = bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(raw) || bytes.IndexByte(raw, 0) >= 0 {
		return refuse("", "a text file in UTF-8: save it as 'CSV UTF-8', or as .xlsx")
	}
	r := csv.NewReader(bytes.NewReader(raw))
	r.Comma, r.FieldsPerRecord, r.TrimLeadingSpace = separatorOf(raw), -1, true
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return refuse("", "values that part at commas, semicolons or tabs, in whole quotes").Because(refusal.Shorten(err.Error()))
		}
		number, _ := r.FieldPos(0)
		if err := t.add(number, cells); err != nil {
			return err
		}
	}
}

// separatorOf is what parts the names in the first row most often.
func separatorOf(raw []byte) rune {
	first, _, _ := bytes.Cut(bytes.TrimLeft(raw, "\r\n"), []byte("\n"))
	most, best := 0, ','
	for _, sep := range ",;\t" {
		if n := bytes.Count(first, []byte(string(sep))); n > most {
			most, best = n, sep
		}
	}
	return best
}

// add takes a row: the first with any text is the head.
func (t *Table) add(number int, cells []string) error {
	for len(cells) > 0 && strings.TrimSpace(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1]
	}
	switch {
	case len(cells) == 0:
		return nil
	case len(cells) > MaxColumns:
		return refuse(fmt.Sprintf("%d columns in row %d", len(cells), number), fmt.Sprintf("%d columns at most", MaxColumns))
	case len(t.Rows) == t.most || number > t.most*emptyRows:
		return refuse(fmt.Sprintf("a row %d", number), fmt.Sprintf("%d rows at most; split the file", t.most))
	}
	row := Row{Number: number}
	for i, text := range cells {
		if text = strings.TrimSpace(text); len(text) > maxCell || !utf8.ValidString(text) {
			return refuse(refusal.Shorten(text), fmt.Sprintf("a text of %d bytes at most in row %d, column %d", maxCell, number, i+1))
		}
		row.Cells = append(row.Cells, text)
	}
	if t.Head == nil {
		t.Head = row.Cells
		return nil
	}
	t.Rows = append(t.Rows, row)
	return nil
}
