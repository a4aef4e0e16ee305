package files

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"thawtrail/internal/label"
)

// csvFile is a file of values separated by commas (RFC 4180).
type csvFile struct {
	sheet
	out *csv.Writer
}

func (s sheet) beginCSV(w io.Writer) (writer, error) {
	f := &csvFile{s, csv.NewWriter(w)}
	f.out.UseCRLF = true
	return f, f.out.Write(s.heads())
}

func (f *csvFile) row(cells []any) error {
	texts := make([]any, len(cells))
	for i, c := range f.cols {
		texts[i] = Inert(c.printed(cells[i]))
	}
	var line []string
	for _, t := range f.around(texts) {
		line = append(line, t.(string))
	}
	return f.out.Write(line)
}

func (f *csvFile) end() error {
	f.out.Flush()
	return f.out.Error()
}

// printed is a cell as people read it in a table.
func (c column) printed(cell any) string {
	switch v := cell.(type) {
	case nil:
		return ""
	case string:
		switch {
		case c.coded: // given_after_hold
			return strings.ReplaceAll(v, "_", " ")
		case c.field.Name() == "bag" && v != "":
			return label.BagNumber(v).String()
		}
		return v
	case int64:
		if c.money() {
			sign, units, hundredths := whole(v)
			return fmt.Sprintf("%s%d.%02d", sign, units, hundredths)
		}
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case bool:
		if v {
			return "yes"
		}
		return "no"
	}
	return fmt.Sprint(cell)
}

// Inert keeps a text from being taken for a formula by a spreadsheet: whatever
// begins like one gets an apostrophe in front. Plain negative numbers stay.
func Inert(text string) string {
	if text == "" {
		return text
	}
	switch text[0] {
	case '=', '+', '@', '\t', '\r', '\n', '-':
		if text[0] == '-' && strings.Trim(text[1:], "0123456789.") == "" && len(text) > 1 {
			return text
		}
		return "'" + text
	}
	return text
}

// jsonLines is a file with one JSON object a line, each as the list's schema says.
type jsonLines struct {
	sheet
	out io.Writer
}

func (f *jsonLines) row(cells []any) error {
	var b bytes.Buffer
	put := func(name string, value any) error {
		raw, err := json.Marshal(value)
		if err != nil {
			return err
		}
		sep := byte(',')
		if b.Len() == 0 {
			sep = '{'
		}
		b.WriteByte(sep)
		fmt.Fprintf(&b, "%q:", name)
		b.Write(raw)
		return nil
	}
	if f.mark != "" {
		if err := put("mark", f.mark); err != nil {
			return err
		}
	}
	for i, c := range f.cols {
		if err := put(string(c.field.Name()), cells[i]); err != nil {
			return err
		}
	}
	if priced(f.cols) {
		if err := put("currency", f.currency); err != nil {
			return err
		}
	}
	b.WriteString("}\n")
	_, err := f.out.Write(b.Bytes())
	return err
}

func (f *jsonLines) end() error { return nil }
