// Package intake turns the rows of a table that a practice keeps into entries: its stock, the
// mares that are due, its clients, and what a temperature logger read. Which column is which is read off its name. It reads no
// file and asks no books: sheet reads, and whoever saves judges. What the books say to them is
// told as each row's fate (BatchOf).
package intake

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/refusal"
	"thawtrail/internal/sheet"
	pb "thawtrail/proto/thawtrail/v1"
)

// Kind is what each row of a table tells.
type Kind struct {
	Word    string // as it is typed
	Event   string // the entry that a row becomes
	Columns []Column
	Needs   []string // fields that every table has; nil: what the entry needs
}

// Column is one that a table of a kind may have.
type Column struct {
	Field string
	Names []string // the first is the one that is shown; all are compared without case and marks
	Unit  string   // the second unit of its field, where it is counted in that
}

// ofBatch are the columns of a batch that comes or is there.
var ofBatch = []Column{
	{Field: "product", Names: []string{"product", "plasma"}},
	{Field: "batch", Names: []string{"batch", "batch number", "lot", "lot number"}},
	{Field: "expiry", Names: []string{"expiry", "expiry date", "expires", "use by"}},
	{Field: "volume_ml", Names: []string{"mL each", "mL", "volume mL", "volume"}},
	{Field: "count", Names: []string{"bags", "count", "number of bags"}},
	{Field: "place", Names: []string{"place", "freezer"}},
	{Field: "igg_cg_per_l", Names: []string{"IgG g/L"}},
	{Field: "igg_cg_per_l", Names: []string{"IgG mg/dL"}, Unit: "mg/dL"},
	{Field: "cost_minor", Names: []string{"cost", "cost of one bag", "price"}},
	{Field: "supplier", Names: []string{"supplier"}},
	{Field: "delivery", Names: []string{"delivery note", "invoice"}},
}

// Delivery is a delivery note as a file: a batch a row. It fills the page of a delivery, where
// a person looks at each row, so that a row may lack what the page or a label card knows.
var Delivery = &Kind{Word: "delivery", Event: "bags_received", Columns: ofBatch, Needs: []string{"batch", "count"}}

// Kinds are all of them.
var Kinds = []Kind{
	{Word: "stock", Event: "opening_stock", Columns: append(slices.Clone(ofBatch),
		Column{Field: "donor", Names: []string{"donor"}},
		Column{Field: "serial", Names: []string{"serial", "serial number"}},
	)},
	{Word: "mares", Event: "mare_due", Columns: []Column{
		{Field: "name", Names: []string{"mare", "name", "dam"}},
		{Field: "served_on", Names: []string{"served", "last service", "covered", "inseminated"}},
		{Field: "due_on", Names: []string{"due", "due date", "expected"}},
		{Field: "chip", Names: []string{"chip", "microchip"}},
		{Field: "ueln", Names: []string{"UELN"}},
		{Field: "breed", Names: []string{"breed"}},
		{Field: "client", Names: []string{"client", "owner", "agent"}},
		{Field: "yard", Names: []string{"yard", "farm", "stud"}},
		{Field: "place", Names: []string{"place", "freezer"}},
	}},
	{Word: "clients", Event: "client_added", Columns: []Column{
		{Field: "name", Names: []string{"name", "client", "owner"}},
		{Field: "telephone", Names: []string{"telephone", "phone", "mobile"}},
		{Field: "address", Names: []string{"address"}},
	}},
}

// KindOf finds a kind by its word.
func KindOf(word string) (*Kind, error) {
	if word == Logger.Word {
		return Logger, nil
	}
	for i := range Kinds {
		if Kinds[i].Word == word {
			return &Kinds[i], nil
		}
	}
	return nil, refusal.New("kind", word, Words())
}

// Words are the words of all kinds.
func Words() string {
	var words []string
	for _, k := range Kinds {
		words = append(words, k.Word)
	}
	words = append(words, Logger.Word)
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// Spec is the event that a row becomes.
func (k *Kind) Spec() *event.Spec {
	for _, s := range event.All() {
		if s.Name == k.Event {
			return s
		}
	}
	return nil
}

// Names are the names of its columns, those first that every table needs.
func (k *Kind) Names() (needed, more []string) {
	for _, c := range k.Columns {
		if k.needs(c.Field) {
			needed = append(needed, c.Names[0])
		} else {
			more = append(more, c.Names[0])
		}
	}
	return needed, more
}

// Name is what the column of a field is called.
func (k *Kind) Name(field string) string {
	i := slices.IndexFunc(k.Columns, func(c Column) bool { return c.Field == field })
	return k.Columns[i].Names[0]
}

func (k *Kind) field(name string) protoreflect.FieldDescriptor {
	return k.Spec().Message().Fields().ByName(protoreflect.Name(name))
}

func (k *Kind) needs(field string) bool {
	if k.Needs != nil {
		return slices.Contains(k.Needs, field)
	}
	return event.RuleOf(k.field(field)).Required
}

// Line is a row as an entry, or why it is none.
type Line struct {
	Row     int // in the file
	ID      string
	Text    string // its first column, to tell it by
	Entry   *pb.Entry
	At      *pb.Moment // when it happened; nil for now
	Refused error
}

// Read reads a file as rows of the kind. place is where a logger lay; other files have it in
// their rows.
func (k *Kind) Read(raw []byte, place string, clock input.Clock) ([]Line, error) {
	most := sheet.MaxRows
	if k == Logger {
		most = MaxLogged
	}
	table, err := sheet.ReadUpTo(raw, most)
	if err != nil {
		return nil, err
	}
	if k == Logger {
		return Readings(table, place, clock)
	}
	return k.Lines(table, clock)
}

// Lines reads all rows. An error is of the whole table; what is wrong in one row stands with it.
func (k *Kind) Lines(t *sheet.Table, clock input.Clock) ([]Line, error) {
	columns, err := k.columnsOf(t)
	if err != nil {
		return nil, err
	}
	var out []Line
	same := map[string]int{}
	for _, row := range t.Rows {
		line := Line{Row: row.Number}
		m := k.Spec().New()
		line.Refused = k.fill(m.ProtoReflect(), t, row, columns, clock)
		if line.Refused == nil {
			line.Entry, line.Refused = event.Wrap(k.Spec().Type, m)
		}
		line.Text, line.ID = k.mark(row, columns, same)
		out = append(out, line)
	}
	return out, nil
}

// columnsOf says which column of the table is which; a table with one that is not known is
// refused, since what stands in it would be lost unseen.
func (k *Kind) columnsOf(t *sheet.Table) ([]*Column, error) {
	out := make([]*Column, len(t.Head))
	seen := map[string]string{}
	for i, name := range t.Head {
		if name == "" && !slices.ContainsFunc(t.Rows, func(r sheet.Row) bool { return r.Cell(i) != "" }) {
			continue
		}
		c := k.column(name)
		if c == nil {
			return nil, refusal.New("column", name, "one of: "+k.known())
		}
		if other, twice := seen[c.Field]; twice {
			return nil, refusal.New("column", name, fmt.Sprintf("one column for this; %q is one already", other))
		}
		out[i], seen[c.Field] = c, name
	}
	for _, c := range k.Columns {
		if _, there := seen[c.Field]; !there && k.needs(c.Field) {
			return nil, refusal.New("column", "", fmt.Sprintf("a column %q; it is needed, and the file has: %s", c.Names[0], strings.Join(t.Head, ", ")))
		}
	}
	return out, nil
}

// known are the names of all columns.
func (k *Kind) known() string {
	needed, more := k.Names()
	return strings.Join(append(needed, more...), ", ")
}

// column finds one by its name.
func (k *Kind) column(name string) *Column {
	for i, c := range k.Columns {
		for _, n := range c.Names {
			if bare(n) == bare(name) {
				return &k.Columns[i]
			}
		}
	}
	return nil
}

// bare is a name as names are compared: without case, spaces and marks.
func bare(name string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(" _-./()[]:*", r) {
			return -1
		}
		return r
	}, strings.ToLower(name))
}

// fill reads the cells of one row. What is wrong names the column as the file does.
func (k *Kind) fill(m protoreflect.Message, t *sheet.Table, row sheet.Row, columns []*Column, clock input.Clock) error {
	for i, c := range columns {
		text := row.Cell(i)
		if c == nil || text == "" {
			continue
		}
		desc := k.field(c.Field)
		rule := event.RuleOf(desc)
		f := input.Field{Clock: clock, Desc: desc, Rule: rule, Name: t.Head[i], Scale: max(rule.Scale, 1)}
		if c.Unit != "" {
			f.Scale = max(rule.AltScale, 1)
		}
		if err := f.Put(m, []string{k.text(t, c, text)}); err != nil {
			return err
		}
	}
	if err := wide(row, columns); err != nil {
		return err
	}
	for i, c := range columns {
		if c != nil && row.Cell(i) == "" && k.needs(c.Field) {
			return refusal.New(t.Head[i], "", event.RuleOf(k.field(c.Field)).Help)
		}
	}
	return nil
}

// text is a cell as a person would type it: workbooks keep a day as a number.
func (k *Kind) text(t *sheet.Table, c *Column, cell string) string {
	if event.RuleOf(k.field(c.Field)).Format == pb.Format_FORMAT_DAY {
		return t.DayOf(cell)
	}
	return cell
}

// Cells are the texts of a row, by field, as a form takes them.
type Cells struct {
	Row  int // in the file
	Text map[string]string
}

// Cells reads a file as texts for a form that judges them.
func (k *Kind) Cells(raw []byte) (out []Cells, err error) {
	t, err := sheet.Read(raw)
	if err != nil {
		return nil, err
	}
	columns, err := k.columnsOf(t)
	if err != nil {
		return nil, err
	}
	for _, row := range t.Rows {
		if err := wide(row, columns); err != nil {
			return nil, err
		}
		cells := Cells{Row: row.Number, Text: map[string]string{}}
		for i, c := range columns {
			if c == nil || row.Cell(i) == "" {
				continue
			}
			text := k.text(t, c, row.Cell(i))
			if c.Unit != "" {
				text += " " + c.Unit
			}
			cells.Text[c.Field] = text
		}
		out = append(out, cells)
	}
	return out, nil
}

// wide refuses values that no column has a name for.
func wide(row sheet.Row, columns []*Column) error {
	if len(row.Cells) > len(columns) {
		return refusal.New("column", row.Cells[len(columns)], "no more values than there are names of columns")
	}
	return nil
}

// mark is what a row is told by, and an id that the same row of the same kind has again in
// another reading of the file, wherever it stands there.
func (k *Kind) mark(row sheet.Row, columns []*Column, same map[string]int) (text, id string) {
	var all []string
	for i, c := range columns {
		if c == nil || row.Cell(i) == "" {
			continue
		}
		if c.Field == k.Columns[0].Field {
			text = row.Cell(i)
		}
		all = append(all, fmt.Sprintf("%s %v %s", c.Field, c.Unit != "", row.Cell(i)))
	}
	slices.Sort(all)
	whole := strings.Join(all, "\n")
	same[whole]++
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%d", k.Word, whole, same[whole]))
	return text, "import-" + hex.EncodeToString(sum[:16])
}
