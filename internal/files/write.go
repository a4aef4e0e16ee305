package files

import (
	"context"
	"io"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"thawtrail/internal/refusal"
)

// Ask puts a question of the contract and fills in its answer.
type Ask func(ctx context.Context, method string, question, answer proto.Message) error

// Format is the form of a file.
type Format string

// The forms there are.
const (
	CSV       Format = "csv"
	JSONLines Format = "jsonl"
	Workbook  Format = "xlsx"
)

// Formats lists them.
func Formats() []Format { return []Format{CSV, JSONLines, Workbook} }

// FormatOf reads the name of a form. The error names those that there are.
func FormatOf(name string) (Format, error) {
	if slices.Contains(Formats(), Format(name)) {
		return Format(name), nil
	}
	return "", refusal.New("as", name, "csv, jsonl or xlsx")
}

// MediaType is how the web calls the form.
func (f Format) MediaType() string {
	switch f {
	case JSONLines:
		return "application/jsonl; charset=utf-8"
	case Workbook:
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	}
	return "text/csv; charset=utf-8"
}

// Options narrow a list and mark its file.
type Options struct {
	Filters map[string]string // by the names of List.Filters; empty ones are none
	Mark    func() string     // what stands on every row, as of a rehearsal; asked after the first answer
}

// writer is one form of a file while it is written.
type writer interface {
	row(cells []any) error // a string, bool, int64 or float64, or nil for nothing
	end() error
}

// partRows is how many rows are asked for at a time.
const partRows = 1000

// Write asks for a list and writes it, row by row. It gives how many rows there were. An
// error may leave half a file behind it.
func (l List) Write(ctx context.Context, as Format, opt Options, ask Ask, w io.Writer) (rows int, err error) {
	question, err := l.question(opt.Filters)
	if err != nil {
		return 0, err
	}
	sheet := sheet{cols: l.cols()}
	var out writer
	for {
		answer := message(l.method().Output())
		if err := ask(ctx, l.Method, question.Interface(), answer.Interface()); err != nil {
			return rows, err
		}
		if out == nil {
			sheet.currency, sheet.mark = text(answer, "currency"), opt.Mark()
			if out, err = sheet.begin(as, l.Name, w); err != nil {
				return rows, err
			}
		}
		list := answer.Get(l.rows()).List()
		for i := range list.Len() {
			if err := out.row(sheet.cells(list.Get(i).Message())); err != nil {
				return rows, err
			}
			rows++
		}
		next := text(answer, "next")
		if next == "" {
			return rows, out.end()
		}
		question.Set(question.Descriptor().Fields().ByName("after"), protoreflect.ValueOfString(next))
	}
}

// message is an empty message of the contract.
func message(d protoreflect.MessageDescriptor) protoreflect.Message {
	t, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		panic(err) // its descriptor was registered with it
	}
	return t.New()
}

func text(m protoreflect.Message, field protoreflect.Name) string {
	f := m.Descriptor().Fields().ByName(field)
	if f == nil {
		return ""
	}
	return m.Get(f).String()
}

// question is the request with its filters set. A filter that the list has not is
// refused with those it has.
func (l List) question(filters map[string]string) (protoreflect.Message, error) {
	m := message(l.method().Input())
	fields := m.Descriptor().Fields()
	if f := fields.ByName("limit"); f != nil {
		m.Set(f, protoreflect.ValueOfInt32(partRows))
	}
	set := func(name, value string) {
		if f := fields.ByName(protoreflect.Name(name)); f.Kind() == protoreflect.BoolKind {
			m.Set(f, protoreflect.ValueOfBool(value == "true"))
		} else {
			m.Set(f, protoreflect.ValueOfString(value))
		}
	}
	for name, value := range l.fixed {
		set(name, value)
	}
	for name, value := range filters {
		if value == "" {
			continue
		}
		if !slices.Contains(l.Filters(), name) {
			return nil, refusal.New(name, value, "nothing: the list "+l.Name+" is narrowed by "+strings.Join(l.Filters(), ", "))
		}
		set(name, value)
	}
	return m, nil
}
