package owner

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// balanceMore is the balance of a span of days.
type balanceMore struct {
	From, To, By, Currency string
	Bys                    []site.Option
	Heads                  []string
	LineHeads              []string
	Rows                   []balanceRow
	Loose                  bool // it does not add up
	Closings               []closingView
	ToClose                []site.Pair
	File                   string
}

// balanceCell is a number that opens its bags.
type balanceCell struct{ Text, Href, Head string }

type balanceRow struct {
	Group string
	Cells []balanceCell
	Lines []balanceLine
	Notes []string
}

type balanceLine struct {
	Words, Ml, Cost string
	Bags            balanceCell
}

type closingView struct {
	Text, Note string
	Changes    []closingChange
}

type closingChange struct{ Place, Line, Was, Now string }

// balanceBys are the ways in which a balance is grouped.
func balanceBys() []site.Option {
	return []site.Option{
		{Value: "month", Label: words.Say("owner.by_month")}, {Value: "place", Label: words.Say("owner.by_place")},
		{Value: "product", Label: words.Say("owner.by_product")}, {Value: "vet", Label: words.Say("owner.by_person")}, {Value: "", Label: words.Say("balance.whole")},
	}
}

// askedBalance reads the span and the grouping; this year by month when nothing is asked.
func askedBalance(req *site.Request) *pb.GetBalanceRequest {
	q := req.URL.Query()
	ask := &pb.GetBalanceRequest{From: strings.TrimSpace(q.Get("from")), To: strings.TrimSpace(q.Get("to")), By: q.Get("by")}
	if ask.From == "" {
		ask.From, ask.To = req.Now.Format("2006")+"-01", req.Now.Format("2006-01")
	}
	if !q.Has("by") {
		ask.By = "month"
	}
	return ask
}

// ShowBalance serves the balance.
func ShowBalance(req *site.Request) error {
	ask := askedBalance(req)
	out, err := req.Site.Audit.GetBalance(req.Context(), ask)
	if err != nil {
		return err
	}
	m := &balanceMore{From: ask.From, To: ask.To, By: ask.By, Currency: out.Currency, Loose: !out.Ties, File: "/owner/csv/balance?" + balanceQuery(ask).Encode()}
	for _, by := range balanceBys() {
		by.Checked = by.Value == m.By
		m.Bys = append(m.Bys, by)
	}
	m.Heads = strings.Split(words.Say("balance.heads", words.Plain(cmp.Or(m.By, "-")), out.Currency), " | ")
	m.LineHeads = strings.Split(words.Say("balance.line_heads", out.Currency), " | ")
	out.Rows = slices.DeleteFunc(out.Rows, emptyRow)
	for _, r := range out.Rows {
		m.Rows = append(m.Rows, m.row(ask, r))
	}
	m.closings(req, ask, out)
	return req.Render("balance", words.Say("balance.title"), "owner", m)
}

// emptyRow says that nothing was there, came or went.
func emptyRow(r *pb.BalanceRow) bool { return r.Opening == 0 && len(r.Lines) == 0 && r.GivenMl == 0 }

func balanceQuery(ask *pb.GetBalanceRequest) url.Values {
	return url.Values{"from": {ask.From}, "to": {cmp.Or(ask.To, ask.From)}, "by": {ask.By}}
}

// row is one group: its sums, and line by line.
func (m *balanceMore) row(ask *pb.GetBalanceRequest, r *pb.BalanceRow) balanceRow {
	row := balanceRow{Group: r.Group}
	opens := func(n int32, line string) balanceCell {
		q := balanceQuery(ask)
		q.Set("group", r.Group)
		q.Set("line", line)
		return balanceCell{Text: fmt.Sprint(n), Href: "/owner/balance/bags?" + q.Encode()}
	}
	came, away := int32(0), r.MovedOut+r.Lent+r.LentBack+r.Returned+r.KeptBack
	for _, l := range r.Lines {
		if !l.Out {
			came += l.Bags
		}
	}
	row.Cells = []balanceCell{
		opens(r.Opening, "opening"), opens(came, "in"), opens(r.Given, "out.given"), opens(r.Discarded, "out.discarded"), opens(r.Missing, "out.missing"),
		opens(away, "away"), opens(r.Closing, "closing"),
		{Text: fmt.Sprint(r.GivenMl)}, {Text: words.Money(r.CostMinor)}, {Text: words.Money(r.WasteMinor)},
	}
	if m.By == "vet" {
		row.Cells[0], row.Cells[6] = balanceCell{}, balanceCell{}
	}
	for i := range row.Cells {
		row.Cells[i].Head = m.Heads[i+1]
	}
	row.Lines = linesOf(r, m.By != "vet", opens)
	row.Notes = balanceNotes(r)
	return row
}

// linesOf are the lines of a row, from its start to its end.
func linesOf(r *pb.BalanceRow, ends bool, opens func(int32, string) balanceCell) (out []balanceLine) {
	add := func(text, line string, bags int32, ml, cost int64) {
		l := balanceLine{Words: text, Bags: opens(bags, line), Ml: fmt.Sprint(ml)}
		if cost != 0 {
			l.Cost = words.Money(cost)
		}
		out = append(out, l)
	}
	if ends {
		add(words.Say("balance.start"), "opening", r.Opening, r.OpeningMl, 0)
	}
	for _, l := range r.Lines {
		add(lineWords(l.Way, l.Reason, l.Out), lineName(l), l.Bags, l.VolumeMl, l.CostMinor)
	}
	if ends {
		add(words.Say("balance.end"), "closing", r.Closing, r.ClosingMl, 0)
	}
	return out
}

// lineName is a line's name in an address.
func lineName(l *pb.BalanceLine) string {
	name := "in." + l.Way
	if l.Out {
		name = "out." + l.Way
	}
	return strings.TrimSuffix(name+"."+l.Reason, ".")
}

// lineWords is what a line is called.
func lineWords(way, reason string, out bool) string {
	text := words.Plain(way)
	if reason != "" {
		text += ", " + words.Choice("DiscardReason", reason)
	}
	switch {
	case way == "opening":
		return words.Say("balance.start")
	case way == "closing":
		return words.Say("balance.end")
	case out:
		return words.Say("balance.out", text)
	}
	return words.Say("balance.in", text)
}

// balanceNotes are what else is to be said of a row.
func balanceNotes(r *pb.BalanceRow) (out []string) {
	if r.Counted != nil {
		at, n, diff := words.Moment(words.ParseTime(r.CountedAt)), r.GetCounted(), r.GetDifference()
		switch {
		case diff > 0:
			out = append(out, words.Say("balance.counted_more", at, n, diff))
		case diff < 0:
			out = append(out, words.Say("balance.counted_fewer", at, n, -diff))
		default:
			out = append(out, words.Say("balance.counted", at, n))
		}
	}
	for _, note := range []struct {
		key string
		n   int32
	}{{"balance.in_use", r.InUse}, {"balance.thawed_not_used", r.ThawedNotUsed}, {"balance.unpriced", r.WithoutPrice}} {
		if note.n > 0 {
			out = append(out, words.Say(note.key, note.n))
		}
	}
	return out
}

// closings tells of the months that were closed, and offers to close those that are over.
func (m *balanceMore) closings(req *site.Request, ask *pb.GetBalanceRequest, out *pb.GetBalanceResponse) {
	closed := map[string]bool{}
	for _, c := range out.Closings {
		closed[c.Month] = true
		view := closingView{Text: words.Say("balance.closed", c.Month, c.Who, words.Moment(words.ParseTime(c.At))), Note: c.Note}
		for _, x := range c.Changes {
			view.Changes = append(view.Changes, closingChange{
				Place: x.Place, Line: lineWords(x.Way, x.Reason, x.Out),
				Was: words.Say("balance.change", x.WasBags, words.Money(x.WasCostMinor), out.Currency),
				Now: words.Say("balance.change", x.Bags, words.Money(x.CostMinor), out.Currency),
			})
		}
		m.Closings = append(m.Closings, view)
	}
	q := balanceQuery(ask)
	until := words.ParseTime(out.Until)
	for from := words.ParseTime(out.From); !from.AddDate(0, 1, 0).After(until) && !from.AddDate(0, 1, 0).After(req.Now) && from.Day() == 1 && len(m.ToClose) < monthsToClose; from = from.AddDate(0, 1, 0) {
		month := from.Format("2006-01")
		if there := m.To == "" || m.To == m.From || slices.ContainsFunc(out.Rows, func(r *pb.BalanceRow) bool { return r.Group == month }); there && !closed[month] {
			to := "/write/month_closed?" + url.Values{"month": {month}, "back": {"/owner/balance?" + q.Encode()}}.Encode()
			m.ToClose = append(m.ToClose, site.Pair{Name: to, Value: words.Say("balance.close", month)})
		}
	}
}

// monthsToClose is how many months the page offers to close.
const monthsToClose = 12

// ListBalanceBags serves the bags behind one number of the balance.
func ListBalanceBags(req *site.Request) error {
	ask := askedBalance(req)
	ask.Bags = true
	out, err := req.Site.Audit.GetBalance(req.Context(), ask)
	if err != nil {
		return err
	}
	q := req.URL.Query()
	group, line := q.Get("group"), q.Get("line")
	i := slices.IndexFunc(out.Rows, func(r *pb.BalanceRow) bool { return r.Group == group })
	if i < 0 {
		return site.ErrNotFound
	}
	var bags []site.Pair
	for _, n := range numbersOf(out.Rows[i], line) {
		bags = append(bags, site.Pair{Name: "/bag/" + strings.ReplaceAll(n, "-", ""), Value: n})
	}
	last := words.ParseTime(out.Until).Add(-time.Second)
	return req.Render("balancebags", words.Say("balance.bags_title", words.Plain(strings.ReplaceAll(line, ".", ", "))), "owner", map[string]any{
		"Bags": bags, "Text": words.Say("balance.bags_text", group, words.ParseTime(out.From).Format(time.DateOnly), last.Format(time.DateOnly)),
		"Back": "/owner/balance?" + balanceQuery(ask).Encode(),
	})
}

// away are the ways out that are neither given, thrown away nor missing.
var away = []string{"moved_out", "lent", "lent_back", "returned", "kept_back"}

// numbersOf are the bags of a line, or of several lines whose names begin so.
func numbersOf(r *pb.BalanceRow, line string) (out []string) {
	switch line {
	case "opening":
		return r.OpeningNumbers
	case "closing":
		return r.ClosingNumbers
	}
	for _, l := range r.Lines {
		if name := lineName(l); name == line || strings.HasPrefix(name, line+".") || line == "away" && l.Out && slices.Contains(away, l.Way) {
			out = append(out, l.Numbers...)
		}
	}
	return out
}

// balanceTable is the balance as a file, line by line.
func balanceTable(req *site.Request, add func(...string)) error {
	out, err := req.Site.Audit.GetBalance(req.Context(), askedBalance(req))
	for _, r := range out.GetRows() {
		line := func(way, reason string, gone bool, bags int32, ml, cost int64) {
			add(r.Group, way, words.YesNo(gone), reason, fmt.Sprint(bags), fmt.Sprint(ml), words.Money(cost), out.Currency)
		}
		line("opening", "", false, r.Opening, r.OpeningMl, 0)
		for _, l := range r.Lines {
			line(l.Way, l.Reason, l.Out, l.Bags, l.VolumeMl, l.CostMinor)
		}
		line("closing", "", false, r.Closing, r.ClosingMl, 0)
	}
	return err
}
