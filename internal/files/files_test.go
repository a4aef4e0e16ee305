package files

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "thawtrail/proto/thawtrail/v1"
)

// nasty is a name that a spreadsheet would run, that ends a cell, and a line.
const nasty = "=HYPERLINK(\"http://x\",\"y\")\nfoal, of Slate"

// twoParts answers what became of plasma in two parts.
func twoParts(_ context.Context, _ string, question, answer proto.Message) error {
	out := &pb.ListPlasmaResponse{Currency: "AUD"}
	if question.(*pb.ListPlasmaRequest).After == "" {
		out.Next = "on"
		out.Rows = []*pb.PlasmaRow{{
			At: "2026-11-01T02:10:00+11:00", Kind: "given", Bag: "K7M2Q4X9R", Patient: nasty, VolumeMl: new(int32(310)), Who: "R. Wren", CostMinor: new(int64(9007199254740901)),
			IggBeforeGPerL: new(2.5),
		}}
	} else {
		out.Rows = []*pb.PlasmaRow{{At: "2026-11-02T09:00:00+11:00", Kind: "not_received", CostMinor: new(int64(-5))}}
	}
	proto.Merge(answer, out)
	return nil
}

func written(t *testing.T, as Format, mark string) []byte {
	list, err := Find("plasma")
	require.NoError(t, err)
	var out bytes.Buffer
	rows, err := list.Write(t.Context(), as, Options{Mark: func() string { return mark }}, twoParts, &out)
	require.NoError(t, err)
	require.Equal(t, 2, rows)
	return out.Bytes()
}

// A list that names what the contract has not would break off when it is asked for.
func TestEveryListIsOfTheContract(t *testing.T) {
	for _, l := range Lists() {
		require.NotEmpty(t, l.cols(), l.Name)
		for _, code := range strings.Fields(l.coded) {
			require.Contains(t, strings.Fields(l.columns), code, l.Name)
		}
		for name := range l.fixed {
			require.NotNil(t, l.method().Input().Fields().ByName(protoreflect.Name(name)), l.Name)
		}
		require.True(t, json.Valid(l.Schema()))
	}
	_, err := Find("plasme")
	require.ErrorContains(t, err, "plasma, bags, cases")
	_, err = FormatOf("xls")
	require.ErrorContains(t, err, "xlsx")
}

// Values separated by commas are read back by a reader of RFC 4180, amounts exactly.
func TestCommaSeparated(t *testing.T) {
	lines, err := csv.NewReader(bytes.NewReader(written(t, CSV, ""))).ReadAll()
	require.NoError(t, err)
	require.Len(t, lines, 3)
	row := func(i int) map[string]string {
		out := map[string]string{}
		for n, head := range lines[0] {
			out[head] = lines[i][n]
		}
		return out
	}
	require.Equal(t, "'"+nasty, row(1)["patient"], "no formula")
	require.Equal(t, "90071992547409.01", row(1)["cost"])
	require.Equal(t, "AUD", row(1)["currency"])
	require.Equal(t, "2.5", row(1)["igg_before_g_per_l"])
	require.Empty(t, row(1)["igg_after_g_per_l"], "nobody measured it: not zero")
	require.Equal(t, "310", row(1)["volume_ml"])
	require.Equal(t, "not received", row(2)["kind"])
	require.Equal(t, "-0.05", row(2)["cost"])
	require.Contains(t, string(written(t, CSV, "PRACTICE")), "\r\nPRACTICE,2026-11-02")
}

// JSON lines are as their schema says: every member of it, of its type, and no other.
func TestJSONLines(t *testing.T) {
	list, err := Find("plasma")
	require.NoError(t, err)
	var schema struct {
		Properties map[string]struct{ Type any }
		Required   []string
	}
	require.NoError(t, json.Unmarshal(list.Schema(), &schema))
	lines := strings.Split(strings.TrimSuffix(string(written(t, JSONLines, "PRACTICE")), "\n"), "\n")
	require.Len(t, lines, 2)
	for _, line := range lines {
		var object map[string]any
		dec := json.NewDecoder(strings.NewReader(line))
		dec.UseNumber()
		require.NoError(t, dec.Decode(&object))
		for _, name := range schema.Required {
			require.Contains(t, object, name)
		}
		for name, value := range object {
			require.Contains(t, schema.Properties, name)
			kinds, many := schema.Properties[name].Type.([]any)
			if !many {
				kinds = []any{schema.Properties[name].Type}
			}
			require.Contains(t, kinds, typeOf(value), name)
		}
		require.Equal(t, "PRACTICE", object["mark"])
	}
	require.Contains(t, lines[0], `"cost_minor":9007199254740901`, "exactly")
	require.Contains(t, lines[0], `"igg_after_g_per_l":null`)
}

// typeOf is the type of a value as JSON Schema calls it.
func typeOf(v any) string {
	switch n := v.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case json.Number:
		if strings.ContainsAny(n.String(), ".eE") {
			return "number"
		}
		return "integer"
	}
	return "string"
}

// A workbook is read back: numbers are numbers, times are times, texts are no formulas.
func TestWorkbook(t *testing.T) {
	book, err := excelize.OpenReader(bytes.NewReader(written(t, Workbook, "")))
	require.NoError(t, err)
	defer book.Close()
	require.Equal(t, []string{"plasma"}, book.GetSheetList())
	shown, err := book.GetRows("plasma")
	require.NoError(t, err)
	require.Len(t, shown, 3)
	at := func(head string, row int) (text string, kind excelize.CellType) {
		for i, h := range shown[0] {
			if h == head {
				cell, err := excelize.CoordinatesToCellName(i+1, row+1)
				require.NoError(t, err)
				text, err = book.GetCellValue("plasma", cell)
				require.NoError(t, err)
				kind, err = book.GetCellType("plasma", cell)
				require.NoError(t, err)
			}
		}
		return text, kind
	}
	when, kind := at("at", 1)
	require.Equal(t, "2026-11-01 02:10", when)
	require.NotEqual(t, excelize.CellTypeInlineString, kind)
	text, kind := at("patient", 1)
	require.Equal(t, nasty, text)
	require.Equal(t, excelize.CellTypeInlineString, kind)
	text, kind = at("volume_ml", 1)
	require.Equal(t, "310", text)
	require.NotEqual(t, excelize.CellTypeInlineString, kind)
	text, _ = at("cost", 2)
	require.Equal(t, "-0.05", text)
}

// A filter that a list has not is refused with those it has, and a workbook has an end.
func TestWhatIsRefused(t *testing.T) {
	list, err := Find("overrides")
	require.NoError(t, err)
	_, err = list.Write(t.Context(), CSV, Options{Filters: map[string]string{"yard": "Mill"}}, twoParts, &bytes.Buffer{})
	require.ErrorContains(t, err, "Mill")

	list, err = Find("cases")
	require.NoError(t, err)
	many := func(_ context.Context, _ string, _, answer proto.Message) error {
		out := &pb.ListCasesResponse{Next: "on", Cases: make([]*pb.CaseRow, 1000)}
		for i := range out.Cases {
			out.Cases[i] = &pb.CaseRow{Case: "c"}
		}
		proto.Merge(answer, out)
		return nil
	}
	_, err = list.Write(t.Context(), Workbook, Options{Mark: func() string { return "" }}, many, &bytes.Buffer{})
	require.ErrorContains(t, err, "shorter span")
}

// A time that has no clock of its own stays a text.
func TestMoments(t *testing.T) {
	at, ok := momentOf("2026-11-01T02:10:00+11:00")
	require.True(t, ok)
	require.Equal(t, time.Date(2026, 11, 1, 2, 10, 0, 0, time.UTC), at)
	_, ok = momentOf("2026-11")
	require.False(t, ok)
}
