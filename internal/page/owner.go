package page

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// ownerMore is the owner's first page.
type ownerMore struct {
	By        string
	Bys       []option
	Rows      []useRow
	Currency  string
	Doubts    []doubtCount
	Overrides []overrideRow
	Tables    []pair
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

type overrideRow struct {
	Month, Code string
	N           int
}

// groupings are the ways in which use is added up.
var groupings = []option{{Value: "month", Label: say("owner.by_month")}, {Value: "place", Label: say("owner.by_place")}, {Value: "product", Label: say("owner.by_product")}, {Value: "person", Label: say("owner.by_person")}}

func (s *Site) showOwner(v *visit) error {
	m := &ownerMore{By: cmp.Or(v.r.URL.Query().Get("by"), "month")}
	for _, g := range groupings {
		g.Checked = g.Value == m.By
		m.Bys = append(m.Bys, g)
	}
	use, err := s.audit.ListUse(v.r.Context(), &pb.ListUseRequest{By: m.By})
	if err != nil {
		return err
	}
	m.Rows, m.Currency = useRows(use), use.Currency
	doubts, err := s.audit.ListDiscrepancies(v.r.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	if err != nil {
		return err
	}
	n := map[string]int{}
	for _, d := range doubts.Discrepancies {
		n[d.Kind]++
	}
	for k, c := range n {
		m.Doubts = append(m.Doubts, doubtCount{plain(k), k, c})
	}
	slices.SortFunc(m.Doubts, func(a, b doubtCount) int { return cmp.Or(cmp.Compare(b.N, a.N), cmp.Compare(a.Code, b.Code)) })
	if m.Overrides, err = s.overrides(v); err != nil {
		return err
	}
	for _, t := range tables {
		m.Tables = append(m.Tables, pair{"/owner/csv/" + t.name, t.title})
	}
	return v.render("owner", say("owner.title"), "owner", m)
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

// recentCases bounds how many cases are read for overrides and late entries.
const recentCases = 500

// overrides counts, by month, the cautions that were gone past, so that useless
// ones are found and removed.
func (s *Site) overrides(v *visit) ([]overrideRow, error) {
	n := map[overrideRow]int{}
	err := s.cfg.Replica.Look(v.r.Context(), func(l service.Look) error {
		seen := 0
		return l.Each(event.KindCase, func(st ledger.State) (bool, error) {
			seen++
			err := l.Records(st.Key(), func(r *event.Record) error {
				for _, o := range r.Head.Overrides {
					n[overrideRow{Month: time.UnixMilli(r.OccurredMs()).In(l.Zone()).Format("2006-01"), Code: o.GetCode()}]++
				}
				return nil
			})
			return seen < recentCases, err
		})
	})
	var out []overrideRow
	for row, c := range n {
		row.N = c
		out = append(out, row)
	}
	slices.SortFunc(out, func(a, b overrideRow) int {
		return cmp.Or(cmp.Compare(b.Month, a.Month), cmp.Compare(b.N, a.N), cmp.Compare(a.Code, b.Code))
	})
	return out, err
}

func (s *Site) listDoubts(v *visit) error {
	q := v.r.URL.Query()
	out, err := s.audit.ListDiscrepancies(v.r.Context(), &pb.ListDiscrepanciesRequest{Open: q.Get("all") == "", Kind: q.Get("kind")})
	if err != nil {
		return err
	}
	return v.render("doubts", say("doubts.title"), "owner", doubtRows(out.Discrepancies))
}

func (s *Site) listPeople(v *visit) error {
	out, err := s.audit.ListPeople(v.r.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return err
	}
	devices, err := s.devices(v)
	if err != nil {
		return err
	}
	var people []pair
	for _, p := range out.People {
		people = append(people, pair{p.Name, orText(plain(strings.Join(p.Roles, ", ")), say("people.no_role"))})
	}
	return v.render("people", say("people.title"), "owner", map[string]any{"People": people, "Devices": devices})
}

// lateRow is an entry made afterwards.
type lateRow struct{ About, Href, What, At, Written, Who string }

func (s *Site) listLate(v *visit) error {
	rows, err := s.late(v)
	if err != nil {
		return err
	}
	return v.render("late", say("late.title"), "owner", rows)
}

func (s *Site) late(v *visit) (out []lateRow, err error) {
	err = s.cfg.Replica.Look(v.r.Context(), func(l service.Look) error {
		seen := 0
		return l.Each(event.KindCase, func(st ledger.State) (bool, error) {
			c := st.(*ledger.Case)
			for _, e := range c.Timeline {
				if !e.Marks.Has(ledger.MarkLate) {
					continue
				}
				spec, ok := event.Lookup(e.Type)
				if !ok {
					continue
				}
				out = append(out, lateRow{
					About: l.Patient(c), Href: "/case/" + c.Entity.ID + "/sheet", What: plain(spec.Name), Who: unprovenName(l.Person(e.Author), e.Marks),
					At: clockText(time.UnixMilli(e.AtMs).In(l.Zone())), Written: clockText(time.UnixMilli(e.WallMs).In(l.Zone())),
				})
			}
			seen++
			return seen < recentCases && len(out) < maxChoices, nil
		})
	})
	return out, err
}

// table is one list as a file of comma-separated values.
type table struct {
	name, title string
	rows        func(s *Site, v *visit) ([][]string, error)
}

var tables = []table{
	{"use", say("owner.file_use"), func(s *Site, v *visit) ([][]string, error) { return s.useTable(v, "month") }},
	{"use-place", say("owner.file_place"), func(s *Site, v *visit) ([][]string, error) { return s.useTable(v, "place") }},
	{"use-product", say("owner.file_product"), func(s *Site, v *visit) ([][]string, error) { return s.useTable(v, "product") }},
	{"use-person", say("owner.file_person"), func(s *Site, v *visit) ([][]string, error) { return s.useTable(v, "person") }},
	{"bags", say("owner.file_bags"), bagTable},
	{"cases", say("owner.file_cases"), caseTable},
	{"doubts", say("owner.file_doubts"), doubtTable},
	{"late", say("owner.file_late"), lateTable},
	{"overrides", say("owner.file_overrides"), overrideTable},
}

func (s *Site) useTable(v *visit, by string) ([][]string, error) {
	use, err := s.audit.ListUse(v.r.Context(), &pb.ListUseRequest{By: by})
	if err != nil {
		return nil, err
	}
	out := [][]string{{by, "received", "given", "discarded", "missing", "given_ml", "cost", "waste", "currency"}}
	for _, r := range useRows(use) {
		out = append(out, []string{r.Group, r.Received, r.Given, r.Discarded, r.Missing, r.GivenMl, r.Cost, r.Waste, use.Currency})
	}
	return out, nil
}

func bagTable(s *Site, v *visit) ([][]string, error) {
	stock, err := s.stock.ListStock(v.r.Context(), &pb.ListStockRequest{All: true})
	if err != nil {
		return nil, err
	}
	out := [][]string{{"bag", "place", "product", "batch", "expiry", "volume_ml", "state", "use_by"}}
	for _, b := range stock.Bags {
		out = append(out, []string{bagText(b.Bag), b.Place, b.Product, b.Batch, b.Expiry, fmt.Sprint(b.VolumeMl), plain(b.State), b.UseBy})
	}
	return out, nil
}

func caseTable(s *Site, v *visit) ([][]string, error) {
	cases, err := s.cases.ListCases(v.r.Context(), &pb.ListCasesRequest{})
	if err != nil {
		return nil, err
	}
	out := [][]string{{"case", "patient", "yard", "opened_at", "state", "given_ml", "recheck_due", "outcome"}}
	for _, c := range cases.Cases {
		out = append(out, []string{c.Case, c.Patient, c.Yard, c.OpenedAt, c.State, fmt.Sprint(c.GivenMl), c.RecheckDue, plain(c.Outcome)})
	}
	return out, nil
}

func doubtTable(s *Site, v *visit) ([][]string, error) {
	all, err := s.audit.ListDiscrepancies(v.r.Context(), &pb.ListDiscrepanciesRequest{})
	if err != nil {
		return nil, err
	}
	out := [][]string{{"kind", "about", "text", "at", "open", "hold"}}
	for _, d := range all.Discrepancies {
		out = append(out, []string{plain(d.Kind), d.Entity, d.Text, d.At, yesNo(d.Open), reachedWords(d.HoldReached)})
	}
	return out, nil
}

func yesNo(b bool) string {
	if b {
		return say("word.yes")
	}
	return say("word.no")
}

func lateTable(s *Site, v *visit) ([][]string, error) {
	rows, err := s.late(v)
	out := [][]string{{"about", "what", "happened", "written", "who"}}
	for _, r := range rows {
		out = append(out, []string{r.About, r.What, r.At, r.Written, r.Who})
	}
	return out, err
}

func overrideTable(s *Site, v *visit) ([][]string, error) {
	rows, err := s.overrides(v)
	out := [][]string{{"month", "caution", "times"}}
	for _, r := range rows {
		out = append(out, []string{r.Month, r.Code, fmt.Sprint(r.N)})
	}
	return out, err
}

// csv sends a table as a file.
func (s *Site) csv(v *visit) error {
	i := slices.IndexFunc(tables, func(t table) bool { return t.name == v.r.PathValue("table") })
	if i < 0 {
		return errNowhere
	}
	rows, err := tables[i].rows(s, v)
	if err != nil {
		return err
	}
	v.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	v.w.Header().Set("Content-Disposition", `attachment; filename="thawtrail-`+tables[i].name+`.csv"`)
	out := csv.NewWriter(v.w)
	out.UseCRLF = true
	for _, row := range rows {
		for j := range row {
			row[j] = inert(row[j])
		}
		if err := out.Write(row); err != nil {
			return nil // a browser that went away is no error
		}
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

// unprovenName is a name with what its entry lacks.
func unprovenName(name string, marks ledger.Marks) string {
	switch {
	case marks.Has(ledger.MarkUnsigned):
		return say("unproven.unsigned")
	case marks.Has(ledger.MarkNoProof):
		return name + " (" + service.NoProof + ")"
	}
	return name
}

func sortTexts(s []string) { slices.Sort(s) }
