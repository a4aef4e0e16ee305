package files

import (
	"fmt"
	"io"

	"github.com/xuri/excelize/v2"

	"thawtrail/internal/refusal"
)

// maxWorkbookRows bounds a workbook, which is put together before it is written.
const maxWorkbookRows = 50_000

// workbook is a workbook with one sheet (ISO/IEC 29500, .xlsx): headings that stay in
// sight, numbers as numbers, and times as times by the clock of the practice.
type workbook struct {
	sheet
	book  *excelize.File
	lines *excelize.StreamWriter
	out   io.Writer
	name  string
	next  int // row
	money int // style
	time  int
	heavy int
}

func (s sheet) beginWorkbook(name string, w io.Writer) (writer, error) {
	b := &workbook{sheet: s, book: excelize.NewFile(), out: w, name: name, next: 1}
	if err := b.begin(); err != nil {
		return nil, fmt.Errorf("begin a workbook: %w", err)
	}
	return b, nil
}

func (b *workbook) begin() (err error) {
	if err = b.book.SetSheetName(b.book.GetSheetName(0), b.name); err != nil {
		return err
	}
	for style, s := range map[*int]*excelize.Style{
		&b.heavy: {Font: &excelize.Font{Bold: true}},
		&b.money: {CustomNumFmt: new("0.00")},
		&b.time:  {CustomNumFmt: new("yyyy-mm-dd hh:mm")},
	} {
		if *style, err = b.book.NewStyle(s); err != nil {
			return err
		}
	}
	if b.lines, err = b.book.NewStreamWriter(b.name); err != nil {
		return err
	}
	heads := b.heads()
	if err := b.lines.SetColWidth(1, len(heads), 18); err != nil {
		return err
	}
	if err := b.lines.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	var cells []any
	for _, h := range heads {
		cells = append(cells, excelize.Cell{StyleID: b.heavy, Value: h})
	}
	return b.put(cells)
}

func (b *workbook) put(cells []any) error {
	at, err := excelize.CoordinatesToCellName(1, b.next)
	if err != nil {
		return err
	}
	b.next++
	return b.lines.SetRow(at, cells)
}

func (b *workbook) row(cells []any) error {
	if b.next > maxWorkbookRows {
		return refusal.New("as", string(Workbook), fmt.Sprintf("csv or jsonl, or a shorter span: a workbook holds %d rows", maxWorkbookRows))
	}
	out := make([]any, len(cells))
	for i, c := range b.cols {
		out[i] = b.cell(c, cells[i])
	}
	return b.put(b.around(out))
}

func (b *workbook) cell(c column, value any) any {
	switch v := value.(type) {
	case int64:
		if c.money() {
			return excelize.Cell{StyleID: b.money, Value: exactUnits(v)}
		}
	case string:
		if at, ok := momentOf(v); ok && c.moment() {
			return excelize.Cell{StyleID: b.time, Value: at}
		}
		return c.printed(v)
	case bool:
		return c.printed(v)
	}
	return value
}

func (b *workbook) end() error {
	if err := b.lines.Flush(); err != nil {
		return err
	}
	if _, err := b.book.WriteTo(b.out); err != nil {
		return err
	}
	return b.book.Close()
}
