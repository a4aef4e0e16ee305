package cli

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// answer prints any answer. A few have a layout of their own; the rest follows
// from the descriptor: single values first, then lists as tables, then cautions
// and how fresh the answer is.
func (p *page) answer(m protoreflect.Message) {
	if p.tuned(m.Interface()) {
		return
	}
	p.body(m)
	p.tail(m)
}

// body prints all fields that are not the common tail.
func (p *page) body(m protoreflect.Message) {
	p.singles(m)
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); !isTail(f) && f.IsList() {
			p.list(m, f)
		}
	}
}

// tailFields come last in every answer, in this order.
var tailFields = []protoreflect.Name{"cautions", "steps", "sources", "versions", "freshness"}

func isTail(f protoreflect.FieldDescriptor) bool {
	for _, name := range tailFields {
		if f.Name() == name {
			return true
		}
	}
	return false
}

var entryName = (&pb.Entry{}).ProtoReflect().Descriptor().FullName()

// singles prints the values that stand alone, and blocks for messages.
func (p *page) singles(m protoreflect.Message) {
	var pairs [][2]string
	var blocks []protoreflect.FieldDescriptor
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if isTail(f) || f.IsList() || f.HasPresence() && !m.Has(f) {
			continue
		}
		if f.Kind() == protoreflect.MessageKind && messageText(m.Get(f).Message()) == "" {
			blocks = append(blocks, f)
			continue
		}
		if words, text := single(f, m.Get(f)); text != "" {
			pairs = append(pairs, [2]string{words, text})
		}
	}
	if len(pairs) > 0 {
		p.pairs(pairs)
	}
	for _, f := range blocks {
		if f.Message().FullName() != entryName { // its own block names what it is
			words, _ := event.Heading(f)
			p.blank()
			p.line(words)
		}
		p.body(m.Get(f).Message())
	}
}

// single is a value that stands alone on its line: what it is called, and its text
// with its unit; no text: there is nothing to say.
func single(f protoreflect.FieldDescriptor, value protoreflect.Value) (words, text string) {
	words, unit := event.Heading(f)
	text = cell(f, value)
	switch {
	case f.Kind() == protoreflect.BoolKind && text == "":
		text = "no"
	case f.Kind() == protoreflect.StringKind && isHash(value.String()):
		text = value.String() // there is room for all of it
	case f.Kind() == protoreflect.MessageKind:
		if span, ok := value.Message().Interface().(*pb.Span); ok {
			return words, spanText(span, unit)
		}
	}
	if text == "" {
		return words, ""
	}
	return words, strings.TrimSpace(text + " " + unit)
}

// list prints a repeated field: texts as lines, messages as a table.
func (p *page) list(m protoreflect.Message, f protoreflect.FieldDescriptor) {
	list := m.Get(f).List()
	words, unit := event.Heading(f)
	if list.Len() == 0 {
		if next, ok := emptyLists[f.FullName()]; ok {
			p.wrap("", next)
		}
		return
	}
	p.blank()
	if f.Kind() != protoreflect.MessageKind {
		texts := make([]string, list.Len())
		for i := range texts {
			texts[i] = cell(f, list.Get(i))
		}
		p.texts(strings.TrimSpace(words+" "+unit), texts)
		return
	}
	p.line(words)
	if f.Message().Fields().Len() > mostColumns {
		p.blocks(list, f.Message())
		return
	}
	p.rows(list, f.Message())
}

// mostColumns is how many fields rows may have to stand in a table.
const mostColumns = 20

// blocks prints rows of many fields one below the other: what each is called, its
// values but for zeros, and what has rows of its own.
func (p *page) blocks(list protoreflect.List, desc protoreflect.MessageDescriptor) {
	for i := range list.Len() {
		m := list.Get(i).Message()
		var pairs [][2]string
		for j := 1; j < desc.Fields().Len(); j++ {
			f := desc.Fields().Get(j)
			if f.IsList() || !m.Has(f) {
				continue
			}
			if words, text := single(f, m.Get(f)); text != "" {
				pairs = append(pairs, [2]string{words, text})
			}
		}
		p.blank()
		p.line("  " + cell(desc.Fields().Get(0), m.Get(desc.Fields().Get(0))))
		p.pairs(pairs)
		for _, line := range belowRow(m) {
			p.hang("  - ", "    ", line)
		}
	}
}

// shortTexts is how long texts may be to stand on one line with others.
const shortTexts = 22

func (p *page) texts(title string, texts []string) {
	longest := 0
	for _, t := range texts {
		longest = max(longest, runes(t))
	}
	if longest <= shortTexts {
		p.hang("  "+title+"  ", strings.Repeat(" ", runes(title)+4), strings.Join(texts, ", "))
		return
	}
	p.line(title)
	for _, t := range texts {
		p.hang("  - ", "    ", t)
	}
}

// rows prints messages of one kind as a table; what has rows of its own, or is
// long, stands below its row.
func (p *page) rows(list protoreflect.List, desc protoreflect.MessageDescriptor) {
	var cols []column
	rows := make([]tableRow, list.Len())
	for i := range desc.Fields().Len() {
		f := desc.Fields().Get(i)
		if f.IsList() {
			continue
		}
		cells, longest := column1(list, f)
		if longest > longestCell {
			words, _ := event.Heading(f)
			for j, text := range cells {
				if text != "" {
					rows[j].below = append(rows[j].below, words+": "+text)
				}
			}
			continue
		}
		cols = append(cols, column{head: headText(f), number: isNumber(f), whole: isWhole(f)})
		for j, text := range cells {
			rows[j].cells = append(rows[j].cells, text)
		}
	}
	for i := range rows {
		rows[i].below = append(rows[i].below, belowRow(list.Get(i).Message())...)
	}
	p.table(cols, rows)
}

// longestCell is how long a text may be to stand in a table; longer ones stand
// below their row.
const longestCell = 40

// column1 is one field of all rows, with the length of its longest text.
func column1(list protoreflect.List, f protoreflect.FieldDescriptor) (cells []string, longest int) {
	for i := range list.Len() {
		m, text := list.Get(i).Message(), ""
		if !f.HasPresence() || m.Has(f) {
			text = cell(f, m.Get(f))
		}
		cells = append(cells, text)
		longest = max(longest, runes(text))
	}
	return cells, longest
}

// isWhole says that a cell of the field reads badly when it is wrapped.
func isWhole(f protoreflect.FieldDescriptor) bool {
	return f.Name() != "state" && isClock(string(f.Name())) || f.Name() == "bag" || isNumber(f)
}

func isNumber(f protoreflect.FieldDescriptor) bool {
	switch f.Kind() {
	case protoreflect.DoubleKind, protoreflect.Int32Kind, protoreflect.Int64Kind, protoreflect.Uint32Kind, protoreflect.Uint64Kind:
		return true
	}
	return false
}

// belowRow are the lists of a row, each as one line or one line per item.
func belowRow(m protoreflect.Message) []string {
	var lines []string
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !f.IsList() || m.Get(f).List().Len() == 0 {
			continue
		}
		words, _ := event.Heading(f)
		list := m.Get(f).List()
		var texts []string
		for j := range list.Len() {
			if f.Kind() == protoreflect.MessageKind {
				lines = append(lines, words+": "+oneLine(list.Get(j).Message()))
				lines = append(lines, belowRow(list.Get(j).Message())...)
				continue
			}
			texts = append(texts, cell(f, list.Get(j)))
		}
		if len(texts) > 0 {
			lines = append(lines, words+": "+strings.Join(texts, ", "))
		}
	}
	return lines
}

// oneLine is a row that stands below another.
func oneLine(m protoreflect.Message) string {
	var parts []string
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.IsList() || f.HasPresence() && !m.Has(f) {
			continue
		}
		text := cell(f, m.Get(f))
		words, unit := event.Heading(f)
		switch {
		case text == "":
		case f.Kind() == protoreflect.BoolKind:
			parts = append(parts, words)
		case isNumber(f):
			parts = append(parts, strings.TrimSpace(words+" "+text+" "+unit))
		default:
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, ", ")
}

// tail prints cautions, steps, sources, versions and freshness, where an answer
// has them.
func (p *page) tail(m protoreflect.Message) {
	for _, name := range tailFields {
		f := m.Descriptor().Fields().ByName(name)
		if f == nil || !m.Has(f) {
			continue
		}
		switch {
		case name == "cautions":
			var all []*pb.Caution
			for i := range m.Get(f).List().Len() {
				all = append(all, m.Get(f).List().Get(i).Message().Interface().(*pb.Caution))
			}
			p.cautions(all, len(all))
		case name == "freshness":
			p.blank()
			p.wrap("", messageText(m.Get(f).Message()))
		default:
			p.list(m, f)
		}
	}
}

// cautions prints the gravest first, as they come, and how many more there are.
func (p *page) cautions(all []*pb.Caution, most int) {
	if len(all) == 0 {
		return
	}
	p.blank()
	for i, c := range all {
		if i == most {
			p.line("  +" + number(float64(len(all)-most)) + " more")
			return
		}
		level := c.Level
		if level == "reason" {
			level = "give a reason"
		}
		p.hang("  ! ", "    ", line(say.Told(c.Text))+" ["+level+": "+c.Code+"]")
	}
}

// emptyLists says what to do where a list is empty.
var emptyLists = map[protoreflect.FullName]string{
	"thawtrail.v1.ListPhonesResponse.phones":               "No phone or browser is paired. Pair one with `thawtrail phone pair PERSON`.",
	"thawtrail.v1.ListPhonesResponse.addresses":            "Nobody can come in from the network: there is none now, or the agent was started without --phone ADDRESS, the server without --pages on an address of the network.",
	"thawtrail.v1.PairPhoneResponse.addresses":             "Nobody can come in: this machine has no network now. Turn a laptop's hotspot on.",
	"thawtrail.v1.ListStockResponse.bags":                  "No bags here. Take a delivery into stock with `thawtrail bag receive`.",
	"thawtrail.v1.ListBatchesResponse.batches":             "No batches to show. `thawtrail bag receive` takes a delivery in; `thawtrail batch hold` stops a batch.",
	"thawtrail.v1.ListProductsResponse.products":           "No products yet. Enter a label with `thawtrail product card`.",
	"thawtrail.v1.ListPlacesResponse.places":               "No places yet. Name one with `thawtrail place add`.",
	"thawtrail.v1.ChooseBagsResponse.bags":                 "No bag fits. `thawtrail stock` shows what lies where, and why it was left out.",
	"thawtrail.v1.ListCasesResponse.cases":                 "No cases. Begin one with `thawtrail open foal --dam NAME`.",
	"thawtrail.v1.ListDiscrepanciesResponse.discrepancies": "No discrepancy found, in what this replica holds.",
	"thawtrail.v1.ListPeopleResponse.people":               "Nobody yet. Begin with `thawtrail practice found`, then `thawtrail person add`.",
	"thawtrail.v1.ListAffectedResponse.cases":              "No case here relied on that version.",
	"thawtrail.v1.GetBalanceResponse.rows":                 "No bag was in the books in that time.",
	"thawtrail.v1.ListUseResponse.rows":                    "No bags were used in what this replica holds.",
	"thawtrail.v1.GetBagResponse.timeline":                 "Nothing is written about this bag.",
}
