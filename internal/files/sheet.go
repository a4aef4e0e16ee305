package files

import (
	"io"
	"math"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// sheet is what the forms of a file need of its list.
type sheet struct {
	cols     []column
	currency string
	mark     string
}

func (s sheet) begin(as Format, name string, w io.Writer) (writer, error) {
	switch as {
	case JSONLines:
		return &jsonLines{sheet: s, out: w}, nil
	case Workbook:
		return s.beginWorkbook(name, w)
	}
	return s.beginCSV(w)
}

// cells reads a row. A field that nobody told is nil, and not zero.
func (s sheet) cells(row protoreflect.Message) []any {
	out := make([]any, len(s.cols))
	for i, c := range s.cols {
		if c.field.HasPresence() && !row.Has(c.field) {
			continue
		}
		v := row.Get(c.field)
		switch c.field.Kind() {
		case protoreflect.BoolKind:
			out[i] = v.Bool()
		case protoreflect.DoubleKind:
			out[i] = v.Float()
		case protoreflect.StringKind:
			out[i] = v.String()
		default:
			out[i] = v.Int()
		}
	}
	return out
}

// heads are the headings of a table.
func (s sheet) heads() (out []string) {
	if s.mark != "" {
		out = append(out, "mark")
	}
	for _, c := range s.cols {
		out = append(out, c.head())
	}
	if priced(s.cols) {
		out = append(out, "currency")
	}
	return out
}

// around puts beside the cells of a row what stands on every row.
func (s sheet) around(cells []any) []any {
	if s.mark != "" {
		cells = append([]any{s.mark}, cells...)
	}
	if priced(s.cols) {
		cells = append(cells, s.currency)
	}
	return cells
}

// momentOf reads an instant, and gives what a clock of its zone showed: a table has no
// place for a zone.
func momentOf(text string) (time.Time, bool) {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return at, false
	}
	return time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), 0, time.UTC), true
}

// whole is an amount in hundredths as its whole part and hundredths.
func whole(minor int64) (sign string, units, hundredths uint64) {
	n := uint64(minor)
	if minor < 0 {
		sign, n = "-", -n
	}
	return sign, n / 100, n % 100
}

// exactUnits is an amount in whole units as the nearest number: hundredths up to 2^53 are
// told apart by it.
func exactUnits(minor int64) float64 {
	return math.Round(float64(minor)) / 100
}
