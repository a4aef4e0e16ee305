package sheet

import (
	"bytes"
	"fmt"
	"strconv"
	"time"

	"github.com/xuri/excelize/v2"

	"thawtrail/internal/refusal"
)

// maxUnpacked bounds what a workbook may unpack to: a small file can hold very much.
const maxUnpacked = 24 << 20

// readBook reads the first sheet of a workbook. What a cell says is taken as it is kept, not
// as it is shown: how a day is shown depends on who looks.
func (t *Table) readBook(raw []byte) (err error) {
	// The file is a stranger's, and its reader is not ours.
	defer func() {
		if broken := recover(); broken != nil {
			err = notABook(fmt.Errorf("%v", broken))
		}
	}()
	book, err := excelize.OpenReader(bytes.NewReader(raw), excelize.Options{RawCellValue: true, UnzipSizeLimit: maxUnpacked, UnzipXMLSizeLimit: maxUnpacked})
	if err != nil {
		return notABook(err)
	}
	defer book.Close()
	names := book.GetSheetList()
	if len(names) == 0 {
		return notABook(excelize.ErrSheetNotExist{})
	}
	if props, err := book.GetWorkbookProps(); err == nil && props.Date1904 != nil {
		t.since = *props.Date1904
	}
	t.Days = true
	rows, err := book.Rows(names[0])
	if err != nil {
		return notABook(err)
	}
	defer rows.Close()
	for number := 1; rows.Next(); number++ {
		cells, err := rows.Columns()
		if err != nil {
			return notABook(err)
		}
		if err := t.add(number, cells); err != nil {
			return err
		}
		if number > t.most*emptyRows {
			return refuse(fmt.Sprintf("a row %d", number), fmt.Sprintf("%d rows at most, and no long gaps between them", t.most))
		}
	}
	if err := rows.Error(); err != nil {
		return notABook(err)
	}
	return nil
}

func notABook(err error) error {
	return refuse("", "a workbook (.xlsx) that opens in a spreadsheet program").Because(refusal.Shorten(err.Error()))
}

// DayOf is the day that a workbook keeps as a number; any other text stays as it is.
func (t *Table) DayOf(text string) string {
	serial, err := strconv.ParseFloat(text, 64)
	if !t.Days || err != nil || !(serial >= earliestDay && serial <= latestDay) {
		return text
	}
	at, err := excelize.ExcelDateToTime(serial, t.since)
	if err != nil {
		return text
	}
	return at.Format(time.DateOnly)
}

// Days of which stock and mares tell lie between 1982 and 2119, as numbers of a workbook. A
// year alone, such as 2028, is below.
const (
	earliestDay = 30000
	latestDay   = 80000
)
