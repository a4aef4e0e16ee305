package cli

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/label"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// tuned prints the answers that have a layout of their own.
func (p *page) tuned(m proto.Message) bool {
	switch x := m.(type) {
	case *pb.WriteResponse:
		p.saved(x)
	case *pb.ListStockResponse:
		p.stock(x)
	case *pb.GetBagResponse:
		p.bag(x)
	case *pb.ChooseBagsResponse:
		p.choice(x)
	case *pb.GetCaseResponse:
		p.caseSheet(x)
	case *pb.GetNowResponse:
		p.nowAnswer(x)
	case *pb.DoseResponse:
		p.dose(x)
	case *pb.PickResponse:
		p.pick(x)
	case *pb.EndResponse:
		p.end(x)
	default:
		return false
	}
	return true
}

// mostCautions are shown after an entry; a person at a foal reads no more.
const mostCautions = 3

func (p *page) saved(x *pb.WriteResponse) {
	p.wrap("", line(x.Text))
	var bags, others []string
	for _, id := range x.Made {
		if bag, err := label.ParseBag(id); err == nil {
			bags = append(bags, bag.String())
		} else {
			others = append(others, line(id))
		}
	}
	if len(others) > 0 {
		p.hang("  new: ", "       ", strings.Join(others, ", ")+" (the first characters are enough)")
	}
	if len(bags) > 0 {
		p.blank()
		p.line("Write on each bag its number:")
		p.blank()
		for _, bag := range bags {
			p.line("      " + bag)
		}
		p.blank()
	}
	if x.NoProof != "" {
		p.wrap("", x.NoProof)
	}
	p.cautions(x.Cautions, mostCautions)
	if x.RepeatedRequest {
		p.line("This was entered before; nothing was written twice.")
	}
	if s := savedText(x.Saved); s != "" {
		p.line(strings.ToUpper(s[:1]) + s[1:] + ".")
	}
}

// bagColumns are the columns of bags at one place.
var bagColumns = []column{
	{head: "bag", whole: true}, {head: "product"}, {head: "batch"}, {head: "use by", whole: true},
	{head: "mL", number: true, whole: true}, {head: "state"},
}

func bagRow(b *pb.BagRow) tableRow {
	useBy := clockText(b.UseBy)
	if useBy == "" {
		useBy = b.Expiry
	}
	states := strings.ReplaceAll(strings.Join(b.States, ", "), "_", " ")
	if states == "" {
		states = strings.ReplaceAll(b.State, "_", " ")
	}
	if b.ForCase != "" {
		states += ", for case " + b.ForCase
	}
	row := tableRow{cells: []string{line(bagText(b.Bag)), line(b.Product), line(b.Batch), line(useBy), fmt.Sprint(b.VolumeMl), line(states)}}
	if b.State != "frozen" {
		row.below = cleanAll(b.Because)
	}
	return row
}

func cleanAll(texts []string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = line(t)
	}
	return out
}

// stock prints bags by place, in the order of the answer.
func (p *page) stock(x *pb.ListStockResponse) {
	if len(x.Bags)+len(x.Groups) == 0 {
		p.wrap("", emptyLists["thawtrail.v1.ListStockResponse.bags"])
	}
	p.groups(x)
	for i := 0; i < len(x.Bags); {
		place := x.Bags[i].Place
		var rows []tableRow
		for ; i < len(x.Bags) && x.Bags[i].Place == place; i++ {
			rows = append(rows, bagRow(x.Bags[i]))
		}
		p.wrap("", line(orElse(place, "place not known"))+": "+count(len(rows), "bag"))
		p.table(bagColumns, rows)
		p.blank()
	}
	var kit []tableRow
	for _, k := range x.Kit {
		kit = append(kit, tableRow{cells: []string{line(k.Place), strings.ReplaceAll(line(k.Item), "_", " "), fmt.Sprint(k.Count)}})
	}
	if len(kit) > 0 {
		p.line("kit")
		p.table([]column{{head: "place"}, {head: "item"}, {head: "count", number: true}}, kit)
	}
	p.tail(x.ProtoReflect())
}

// groups prints bags that are alike as one row, below how much lies at their place.
func (p *page) groups(x *pb.ListStockResponse) {
	for i := 0; i < len(x.Groups); {
		place, bags, ml := x.Groups[i], int32(0), int32(0)
		var rows []tableRow
		for ; i < len(x.Groups) && x.Groups[i].PlaceId == place.PlaceId; i++ {
			g := x.Groups[i]
			bags, ml = bags+g.Count, ml+g.TotalMl
			rows = append(rows, groupRow(g))
		}
		p.wrap("", line(orElse(place.Place, "place not known"))+": "+count(int(bags), "bag")+", "+fmt.Sprint(ml)+" mL")
		p.table(groupColumns, rows)
		p.blank()
	}
}

// groupColumns are the columns of bags that are alike.
var groupColumns = []column{
	{head: "bags", number: true, whole: true}, {head: "product"}, {head: "batch"}, {head: "use by", whole: true},
	{head: "mL each", number: true, whole: true}, {head: "state"},
}

// groupRow is a row of its first bag with how many there are, and their numbers below.
func groupRow(g *pb.StockGroup) tableRow {
	row := bagRow(&pb.BagRow{Product: g.Product, Batch: g.Batch, Expiry: g.Expiry, UseBy: g.UseBy, VolumeMl: g.EachMl, State: g.State, States: g.States, Because: g.Because})
	row.cells[0] = fmt.Sprint(g.Count)
	var numbers []string
	for _, bag := range g.Bags {
		numbers = append(numbers, line(bagText(bag)))
	}
	row.below = append(row.below, strings.Join(numbers, ", "))
	return row
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// choice prints the bags to take, and why.
func (p *page) choice(x *pb.ChooseBagsResponse) {
	if len(x.Bags) == 0 {
		p.wrap("", emptyLists["thawtrail.v1.ChooseBagsResponse.bags"])
	} else {
		p.line(fmt.Sprintf("Take %s (%d mL more than is needed):", count(len(x.Bags), "bag"), x.WasteMl))
		var rows []tableRow
		for _, b := range x.Bags {
			row := bagRow(b)
			row.cells = append(row.cells, line(b.Place))
			row.below = cleanAll(b.Because)
			rows = append(rows, row)
		}
		p.table(append(bagColumns[:len(bagColumns):len(bagColumns)], column{head: "place"}), rows)
	}
	if f := x.ProtoReflect().Descriptor().Fields().ByName("runner_up"); len(x.RunnerUp) > 0 {
		p.list(x.ProtoReflect(), f)
	}
	p.tail(x.ProtoReflect())
}

// timeline prints a dated list.
func (p *page) timeline(rows []*pb.TimelineRow) {
	marks := make([][]string, len(rows))
	for i, r := range rows {
		marks[i] = lineMarks(r)
	}
	shared := wording.SharedMarks(marks)
	if len(shared) > 0 {
		p.wrap("  ", say.Text("story.all", line(strings.Join(shared, "; "))))
	}
	var out []tableRow
	for _, r := range rows {
		row := tableRow{cells: []string{line(clockText(r.At)), storyText(r, shared), line(r.Where), line(r.Who), hashText(line(r.Record))}}
		if c := r.Corrected; c != nil {
			row.below = append(row.below, line(correctionText(r.Was, c)))
		}
		out = append(out, row)
	}
	p.table([]column{{head: "when", whole: true}, {head: "what"}, {head: "where"}, {head: "who"}, {head: "record", whole: true}}, out)
}

// lineMarks are the marks of a line, and how far it has come.
func lineMarks(r *pb.TimelineRow) []string {
	marks := slices.Clone(r.Marks)
	if kept := savedText(r.Saved); kept != "" {
		marks = append(marks, kept)
	}
	return marks
}

// storyText is what a line of a dated list tells: behind a mark what is not right, and
// the marks that not all of its lines share.
func storyText(r *pb.TimelineRow, shared []string) string {
	text := line(strings.TrimSuffix(r.What, r.Wrong))
	if r.Wrong != "" {
		text += "! " + line(r.Wrong)
	}
	held := savedText(pb.SavedState_SAVED_STATE_HELD_ON_SERVER) // where others are not, only they are named
	own := slices.DeleteFunc(lineMarks(r), func(m string) bool { return m == held || slices.Contains(shared, m) })
	if len(own) > 0 {
		text += " (" + line(strings.Join(own, "; ")) + ")"
	}
	return text
}

// correctionText is who put an entry right, when and why, and what it had told.
func correctionText(was string, c *pb.Correction) string {
	how := "corrected"
	if c.Voided {
		how = "voided"
	}
	text := fmt.Sprintf("%s %s by %s: %s", how, clockText(c.At), c.Who, c.Reason)
	if was != "" {
		text += "; it said: " + was
	}
	return text
}

func (p *page) bag(x *pb.GetBagResponse) {
	if b := x.Bag; b != nil {
		p.wrap("", line(bagText(b.Bag)))
		p.pairs(known([][2]string{
			{"product", b.Product}, {"batch", b.Batch}, {"expiry", b.Expiry}, {"volume", fmt.Sprintf("%d mL", b.VolumeMl)},
			{"place", b.Place}, {"state", strings.ReplaceAll(strings.Join(b.States, ", "), "_", " ")},
			{"use by", clockText(b.UseBy)}, {"for case", b.ForCase},
		}))
		for _, because := range b.Because {
			p.hang("  - ", "    ", line(because))
		}
	}
	p.lines("Who gave it", x.Donor)
	var can []string
	for _, c := range x.Can {
		can = append(can, "thawtrail "+c.Command+": "+c.Text)
	}
	p.lines("What can be done with it now", can)
	p.blank()
	p.line("What happened to this bag")
	if len(x.Timeline) == 0 {
		p.wrap("  ", emptyLists["thawtrail.v1.GetBagResponse.timeline"])
	} else {
		p.timeline(x.Timeline)
	}
	p.discrepancies(x.Discrepancies)
	p.tail(x.ProtoReflect())
}

// lines prints a heading and a line for each of a list; nothing for none.
func (p *page) lines(heading string, list []string) {
	if len(list) == 0 {
		return
	}
	p.blank()
	p.line(heading)
	for _, text := range list {
		p.hang("  - ", "    ", line(text))
	}
}

// known drops pairs without a text and cleans the rest.
func known(pairs [][2]string) [][2]string {
	var out [][2]string
	for _, pair := range pairs {
		if text := line(pair[1]); text != "" {
			out = append(out, [2]string{pair[0], text})
		}
	}
	return out
}

func (p *page) discrepancies(rows []*pb.DiscrepancyRow) {
	if len(rows) == 0 {
		return
	}
	p.blank()
	p.line("Discrepancies")
	for _, r := range rows {
		state := "explained"
		if r.Open {
			state = "open"
		}
		text := strings.ReplaceAll(r.Kind, "_", " ") + ": " + r.Text
		if r.HoldReached != "" {
			text += " The hold: " + strings.ReplaceAll(r.HoldReached, "_", " ") + "."
		}
		p.hang("  ! ", "    ", line(text)+" ["+state+"]")
	}
}

func (p *page) caseSheet(x *pb.GetCaseResponse) {
	c := x.Case
	if c == nil {
		c = &pb.CaseRow{}
	}
	p.wrap("", line("Case "+c.Case+": "+c.Patient))
	weight := ""
	if x.WeightKg != nil {
		weight = number(*x.WeightKg) + " kg"
	}
	p.pairs(known([][2]string{
		{"dam", x.Dam}, {"marks", x.Marks}, {"yard", c.Yard}, {"opened", clockText(c.OpenedAt)}, {"state", strings.ReplaceAll(c.State, "_", " ")},
		{"weight", weight}, {"IgG", x.Igg}, {"IgG after", x.IggRecheck}, {"recheck due", clockText(c.RecheckDue)},
		{"given", fmt.Sprintf("%d mL plasma; %d mL by vein in 24 h", c.GivenMl, x.Volume_24HMl)}, {"outcome", c.Outcome},
	}))
	if x.NextStep != "" {
		p.blank()
		p.hang("Next: ", "      ", line(x.NextStep))
	}
	p.cautions(x.Cautions, len(x.Cautions))
	p.lines("Papers and numbers", x.Facts)
	p.caseRows(x)
	p.discrepancies(x.Discrepancies)
	if f := x.Freshness; f != nil {
		p.blank()
		p.wrap("", line(f.Text))
	}
}

func (p *page) caseRows(x *pb.GetCaseResponse) {
	if len(x.Transfusions) > 0 {
		p.blank()
		p.line("Bags")
		var rows []tableRow
		for _, t := range x.Transfusions {
			state := "ended"
			if t.Clamped {
				state = "clamped"
			} else if t.Running {
				state = "running"
			} else if t.EndedByCode {
				state = "ended, as a code told"
			}
			rows = append(rows, tableRow{cells: []string{
				line(bagText(t.Bag)), line(t.Batch), line(clockText(t.StartedAt)), fmt.Sprint(t.ElapsedMin), fmt.Sprint(t.GivenMl), fmt.Sprint(t.RateMlPerH), state,
			}})
		}
		p.table([]column{
			{head: "bag", whole: true}, {head: "batch"}, {head: "started", whole: true}, {head: "min", number: true},
			{head: "given, mL", number: true}, {head: "mL/h", number: true}, {},
		}, rows)
	}
	if len(x.Vitals) > 0 {
		p.list(x.ProtoReflect(), x.ProtoReflect().Descriptor().Fields().ByName("vitals"))
	}
	if len(x.Timeline) > 0 {
		p.blank()
		p.line("What was done")
		p.timeline(x.Timeline)
	}
}

func (p *page) nowAnswer(x *pb.GetNowResponse) {
	p.line("Now " + line(clockText(x.Now)))
	for _, h := range x.HoldsInUse {
		p.blank()
		p.line("HOLD on a bag in use")
		p.pairs(known([][2]string{
			{"what", h.Kind}, {"since", clockText(h.At)}, {"reason", h.Reason}, {"who", h.Who}, {"maker's telephone", h.SupportTelephone},
		}))
		p.line("  Clamp shut: `thawtrail clamp CASE`. The vet decides.")
	}
	p.blank()
	if len(x.Running) == 0 {
		p.line("Nothing runs.")
	}
	for _, c := range x.Running {
		p.hang("  runs  ", "        ", line(fmt.Sprintf("case %s, %s: %d mL given", c.Case, c.Patient, c.GivenMl)))
	}
	if len(x.Due) > 0 {
		p.blank()
		var rows []tableRow
		for _, due := range x.Due {
			overdue := ""
			if due.Overdue {
				overdue = "overdue"
			}
			rows = append(rows, tableRow{cells: []string{line(clockText(due.At)), line(due.What), line(due.Case), line(bagText(due.Bag)), overdue}})
		}
		p.table([]column{{head: "due", whole: true}, {head: "what"}, {head: "case"}, {head: "bag", whole: true}, {}}, rows)
	}
	if x.NotYetSent > 0 {
		p.blank()
		p.line(count(int(x.NotYetSent), "record") + " saved here and not sent yet.")
	}
	p.tail(x.ProtoReflect())
}
