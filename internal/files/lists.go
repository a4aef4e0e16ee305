package files

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// List is a list that can be written as a file.
type List struct {
	Name   string // as it is asked for, and the file's
	Method string // of the contract, in full

	columns string // fields of a row, in the order of the file
	coded   string // those of them that hold a code, which people read without underscores
	fixed   map[string]string
}

// lists are the lists there are, in the order in which they are offered.
var lists = []List{
	{
		Name: "plasma", Method: pb.AuditService_ListPlasma_FullMethodName,
		columns: "at kind bag product batch expiry place to volume_ml reason case patient yard client who igg_before_g_per_l igg_after_g_per_l reaction outcome cost_minor",
		coded:   "kind reason outcome",
	},
	{Name: "bags", Method: pb.StockService_ListStock_FullMethodName, columns: "bag place product batch expiry volume_ml state use_by for_case", coded: "state", fixed: map[string]string{"all": "true"}},
	{Name: "cases", Method: pb.CaseService_ListCases_FullMethodName, columns: "case patient yard opened_at state given_ml recheck_due reaction outcome", coded: "outcome"},
	{Name: "use", Method: pb.AuditService_ListUse_FullMethodName, columns: "group received given discarded missing given_ml cost_minor waste_minor", fixed: map[string]string{"by": "month"}},
	{
		Name: "charges", Method: pb.AuditService_ListCharges_FullMethodName,
		columns: "month client case patient at item text bag count price_minor amount_minor tax_percent tax_minor total_minor currency invoice invoiced_on changed_since_invoiced reason line record",
		coded:   "item",
	},
	{Name: "charged", Method: pb.AuditService_ListCharged_FullMethodName, columns: "month client cases lines amount_minor tax_minor total_minor currency invoiced_minor open_minor without_price changed_cases"},
	{Name: "late", Method: pb.AuditService_ListLate_FullMethodName, columns: "case patient what at written_at who no_proof unsigned record", coded: "what"},
	{Name: "corrections", Method: pb.AuditService_ListCorrections_FullMethodName, columns: "at who entered_by about before after voided reason no_proof record"},
	{Name: "discrepancies", Method: pb.AuditService_ListDiscrepancies_FullMethodName, columns: "at kind entity text open hold_reached", coded: "kind hold_reached"},
	{Name: "overrides", Method: pb.AuditService_ListOverrides_FullMethodName, columns: "month code times", coded: "code"},
}

// Lists gives all lists.
func Lists() []List { return slices.Clone(lists) }

// Find gives the list of a name. The error names those that there are.
func Find(name string) (List, error) {
	var names []string
	for _, l := range lists {
		if l.Name == name {
			return l, nil
		}
		names = append(names, l.Name)
	}
	return List{}, refusal.New("list", name, strings.Join(names, ", "))
}

// descriptors of the question, of its answer, and of the rows in that.
func (l List) method() protoreflect.MethodDescriptor {
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(l.Method, "/"), "/", "."))
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		panic(err) // TestEveryListIsOfTheContract
	}
	return d.(protoreflect.MethodDescriptor)
}

// rows is the field of the answer that holds them.
func (l List) rows() protoreflect.FieldDescriptor {
	fields := l.method().Output().Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); f.IsList() && f.Message() != nil {
			return f
		}
	}
	panic(l.Method + " answers no rows") // TestEveryListIsOfTheContract
}

// column is one column of a file.
type column struct {
	field protoreflect.FieldDescriptor
	coded bool
}

func (l List) cols() (out []column) {
	row, coded := l.rows().Message().Fields(), strings.Fields(l.coded)
	for _, name := range strings.Fields(l.columns) {
		f := row.ByName(protoreflect.Name(name))
		if f == nil {
			panic(l.Name + " has no column " + name) // TestEveryListIsOfTheContract
		}
		out = append(out, column{f, slices.Contains(coded, name)})
	}
	return out
}

const minorSuffix = "_minor"

// money says that a column holds an amount in hundredths of the practice's currency.
func (c column) money() bool { return strings.HasSuffix(string(c.field.Name()), minorSuffix) }

// moment says that a column holds an instant with its zone.
func (c column) moment() bool {
	name := string(c.field.Name())
	return name == "at" || strings.HasSuffix(name, "_at") || name == "use_by" || name == "recheck_due"
}

// head is a column's heading in a table: amounts stand there in whole units.
func (c column) head() string { return strings.TrimSuffix(string(c.field.Name()), minorSuffix) }

// priced says that a list holds amounts in the practice's currency, which stands beside
// them; where each row names its own, it is a column already.
func priced(cols []column) bool {
	own := slices.ContainsFunc(cols, func(c column) bool { return c.field.Name() == "currency" })
	return !own && slices.ContainsFunc(cols, column.money)
}

// Filters are the names by which a list can be narrowed.
func (l List) Filters() (out []string) {
	fields := l.method().Input().Fields()
	for i := range fields.Len() {
		name := string(fields.Get(i).Name())
		if name != "limit" && name != "after" && l.fixed[name] != "true" {
			out = append(out, name)
		}
	}
	return out
}
