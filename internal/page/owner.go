package page

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"net/http"
	"slices"
	"strings"

	pb "thawtrail/proto/thawtrail/v1"
)

// ownerMore is the owner's first page.
type ownerMore struct {
	By        string
	Bys       []Option
	Rows      []useRow
	Currency  string
	Doubts    []doubtCount
	Overrides []*pb.OverrideRow
	Tables    []Pair
}

type useRow struct {
	Group                                        string
	Received, Given, Discarded, Missing, GivenMl string
	Cost, Waste                                  string
}

type doubtCount struct {
	Kind, Code string
	N          int
}

// groupings are the ways in which use is added up.
var groupings = []Option{{Value: "month", Label: say("owner.by_month")}, {Value: "place", Label: say("owner.by_place")}, {Value: "product", Label: say("owner.by_product")}, {Value: "person", Label: say("owner.by_person")}}

func showOwner(req *Request) error {
	m := &ownerMore{By: cmp.Or(req.URL.Query().Get("by"), "month")}
	for _, g := range groupings {
		g.Checked = g.Value == m.By
		m.Bys = append(m.Bys, g)
	}
	use, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: m.By})
	if err != nil {
		return err
	}
	m.Rows, m.Currency = useRows(use), use.Currency
	doubts, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{Open: true, Limit: 1})
	if err != nil {
		return err
	}
	for _, k := range doubts.OpenKinds {
		m.Doubts = append(m.Doubts, doubtCount{plain(k.Kind), k.Kind, int(k.Count)})
	}
	overrides, err := req.Site.Audit.ListOverrides(req.Context(), &pb.ListOverridesRequest{})
	if err != nil {
		return err
	}
	m.Overrides = overrides.Rows
	for _, t := range tables {
		m.Tables = append(m.Tables, Pair{"/owner/csv/" + t.name, t.title})
	}
	return req.render("owner", say("owner.title"), "owner", m)
}

func useRows(use *pb.ListUseResponse) []useRow {
	var out []useRow
	for _, r := range use.Rows {
		out = append(out, useRow{
			Group: r.Group, Received: fmt.Sprint(r.Received), Given: fmt.Sprint(r.Given), Discarded: fmt.Sprint(r.Discarded), Missing: fmt.Sprint(r.Missing),
			GivenMl: fmt.Sprint(r.GivenMl), Cost: money(r.CostMinor), Waste: money(r.WasteMinor),
		})
	}
	return out
}

func listDoubts(req *Request) error {
	q := req.URL.Query()
	out, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{
		Open: q.Get("all") == "", Kind: q.Get("kind"), Limit: partRows, After: req.after(),
	})
	if err != nil {
		return err
	}
	return req.render("doubts", say("doubts.title"), "owner", map[string]any{"Rows": doubtRows(out.Discrepancies), "Next": req.nextPart(out.Next)})
}

func listPeople(req *Request) error {
	out, err := req.Site.Audit.ListPeople(req.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return err
	}
	devices, err := devices(req)
	if err != nil {
		return err
	}
	var people []Pair
	for _, p := range out.People {
		people = append(people, Pair{p.Name, cmp.Or(plain(strings.Join(p.Roles, ", ")), say("people.no_role"))})
	}
	return req.render("people", say("people.title"), "owner", map[string]any{"People": people, "Devices": devices})
}

// lateRow is an entry made afterwards.
type lateRow struct{ About, Href, What, At, Written, Who string }

func listLate(req *Request) error {
	rows, next, err := late(req, req.after(), partRows)
	if err != nil {
		return err
	}
	return req.render("late", say("late.title"), "owner", map[string]any{"Rows": rows, "Next": req.nextPart(next)})
}

// late lists entries made afterwards, of some cases.
func late(req *Request, after string, cases int32) (out []lateRow, next string, err error) {
	part, err := req.Site.Audit.ListLate(req.Context(), &pb.ListLateRequest{Limit: cases, After: after})
	if err != nil {
		return nil, "", err
	}
	for _, r := range part.Rows {
		out = append(out, lateRow{
			About: r.Patient, Href: "/case/" + r.Case + "/sheet", What: plain(r.What), Who: unprovenName(r),
			At: clockText(timeOf(r.At)), Written: clockText(timeOf(r.WrittenAt)),
		})
	}
	return out, part.Next, nil
}

// table is one list as a file of comma-separated values. It is written as it is
// read, so that a long one takes no memory.
type table struct {
	name, title string
	head        []string
	rows        func(req *Request, add func(row ...string)) error
}

var tables = []table{
	useTable("use", say("owner.file_use"), "month"),
	useTable("use-place", say("owner.file_place"), "place"),
	useTable("use-product", say("owner.file_product"), "product"),
	useTable("use-person", say("owner.file_person"), "person"),
	{"bags", say("owner.file_bags"), []string{"bag", "place", "product", "batch", "expiry", "volume_ml", "state", "use_by"}, bagTable},
	{"cases", say("owner.file_cases"), []string{"case", "patient", "yard", "opened_at", "state", "given_ml", "recheck_due", "outcome"}, caseTable},
	{"doubts", say("owner.file_doubts"), []string{"kind", "about", "text", "at", "open", "hold"}, doubtTable},
	{"late", say("owner.file_late"), []string{"about", "what", "happened", "written", "who"}, lateTable},
	{"overrides", say("owner.file_overrides"), []string{"month", "caution", "times"}, overrideTable},
}

func useTable(name, title, by string) table {
	head := []string{by, "received", "given", "discarded", "missing", "given_ml", "cost", "waste", "currency"}
	return table{name, title, head, func(req *Request, add func(...string)) error {
		use, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: by})
		for _, r := range useRows(use) {
			add(r.Group, r.Received, r.Given, r.Discarded, r.Missing, r.GivenMl, r.Cost, r.Waste, use.Currency)
		}
		return err
	}}
}

func bagTable(req *Request, add func(...string)) error {
	return eachPart(func(after string) (string, error) {
		stock, err := req.Site.Stock.ListStock(req.Context(), &pb.ListStockRequest{All: true, Limit: fileRows, After: after})
		for _, b := range stock.GetBags() {
			add(bagText(b.Bag), b.Place, b.Product, b.Batch, b.Expiry, fmt.Sprint(b.VolumeMl), plain(b.State), b.UseBy)
		}
		return stock.GetNext(), err
	})
}

func caseTable(req *Request, add func(...string)) error {
	return eachPart(func(after string) (string, error) {
		cases, err := req.Site.Cases.ListCases(req.Context(), &pb.ListCasesRequest{Limit: fileRows, After: after})
		for _, c := range cases.GetCases() {
			add(c.Case, c.Patient, c.Yard, c.OpenedAt, c.State, fmt.Sprint(c.GivenMl), c.RecheckDue, plain(c.Outcome))
		}
		return cases.GetNext(), err
	})
}

func doubtTable(req *Request, add func(...string)) error {
	return eachPart(func(after string) (string, error) {
		all, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{Limit: fileRows, After: after})
		for _, d := range all.GetDiscrepancies() {
			add(plain(d.Kind), d.Entity, d.Text, d.At, yesNo(d.Open), reachedWords(d.HoldReached))
		}
		return all.GetNext(), err
	})
}

func lateTable(req *Request, add func(...string)) error {
	return eachPart(func(after string) (string, error) {
		rows, next, err := late(req, after, partRows)
		for _, r := range rows {
			add(r.About, r.What, r.At, r.Written, r.Who)
		}
		return next, err
	})
}

func overrideTable(req *Request, add func(...string)) error {
	out, err := req.Site.Audit.ListOverrides(req.Context(), &pb.ListOverridesRequest{})
	for _, r := range out.GetRows() {
		add(r.Month, r.Code, fmt.Sprint(r.Times))
	}
	return err
}

// csv sends a table as a file. A file that cannot be read to its end is broken
// off, so that the browser says so.
func sendCSV(req *Request) error {
	i := slices.IndexFunc(tables, func(t table) bool { return t.name == req.PathValue("table") })
	if i < 0 {
		return ErrNotFound
	}
	t := tables[i]
	req.W.Header().Set("Content-Type", "text/csv; charset=utf-8")
	req.W.Header().Set("Content-Disposition", `attachment; filename="thawtrail-`+t.name+`.csv"`)
	out := csv.NewWriter(req.W)
	out.UseCRLF = true
	add := func(row ...string) {
		for i := range row {
			row[i] = inert(row[i])
		}
		_ = out.Write(row) // a browser that went away is no error
	}
	add(slices.Clone(t.head)...)
	if err := t.rows(req, add); err != nil {
		req.Site.Log.Error("write a file", "file", t.name, "error", err)
		panic(http.ErrAbortHandler)
	}
	out.Flush()
	return nil
}

// inert keeps a text from being taken for a formula by a spreadsheet: whatever
// begins like one gets an apostrophe in front. Plain negative numbers stay.
func inert(text string) string {
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
