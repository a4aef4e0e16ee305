package owner

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/files"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ownerMore is the owner's first page.
type ownerMore struct {
	By        string
	Bys       []site.Option
	Rows      []useRow
	Use       site.BarChart
	Currency  string
	Doubts    []doubtCount
	Overrides []*pb.OverrideRow
	Tables    []site.Pair
	Files     fileForm
	Backup    string // when the books were last saved; empty: never
	BackupAge string // how long ago that is
	Hub       bool
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
func groupings() []site.Option {
	return []site.Option{{Value: "month", Label: words.Say("owner.by_month")}, {Value: "place", Label: words.Say("owner.by_place")}, {Value: "product", Label: words.Say("owner.by_product")}, {Value: "person", Label: words.Say("owner.by_person")}}
}

// ShowOwner serves the owner's first page.
func ShowOwner(req *site.Request) error {
	m := &ownerMore{By: cmp.Or(req.URL.Query().Get("by"), "month")}
	for _, g := range groupings() {
		g.Checked = g.Value == m.By
		m.Bys = append(m.Bys, g)
	}
	use, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: m.By})
	if err != nil {
		return err
	}
	m.Rows, m.Use, m.Currency = useRows(use), useBars(use), use.Currency
	doubts, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{Open: true, Limit: 1})
	if err != nil {
		return err
	}
	for _, k := range doubts.OpenKinds {
		m.Doubts = append(m.Doubts, doubtCount{words.Plain(k.Kind), k.Kind, int(k.Count)})
	}
	overrides, err := req.Site.Audit.ListOverrides(req.Context(), &pb.ListOverridesRequest{})
	if err != nil {
		return err
	}
	m.Overrides = overrides.Rows
	for _, t := range tables() {
		m.Tables = append(m.Tables, site.Pair{Name: "/owner/csv/" + t.name, Value: t.title})
	}
	m.Files = newFileForm()
	last, err := req.Site.Replica.LastBackup()
	if err != nil {
		return err
	}
	if m.Hub = req.Site.Replica.Hub; !last.Until.IsZero() {
		m.Backup, m.BackupAge = words.Moment(last.Until), wording.Ago(req.Now.Sub(last.Until))
	}
	return req.Render("owner", words.Say("owner.title"), "owner", m)
}

func useRows(use *pb.ListUseResponse) []useRow {
	var out []useRow
	for _, r := range use.Rows {
		out = append(out, useRow{
			Group: r.Group, Received: fmt.Sprint(r.Received), Given: fmt.Sprint(r.Given), Discarded: fmt.Sprint(r.Discarded), Missing: fmt.Sprint(r.Missing),
			GivenMl: fmt.Sprint(r.GivenMl), Cost: words.Money(r.CostMinor), Waste: words.Money(r.WasteMinor),
		})
	}
	return out
}

// ListDoubts serves what does not fit in the records.
func ListDoubts(req *site.Request) error {
	q := req.URL.Query()
	out, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{
		Open: q.Get("all") == "", Kind: q.Get("kind"), Limit: site.PageRows, After: req.After(), From: q.Get("from"), To: q.Get("to"),
	})
	if err != nil {
		return err
	}
	narrow := req.Narrow()
	narrow.People = false
	return req.Render("doubts", words.Say("doubts.title"), "owner", map[string]any{"Narrow": narrow, "Rows": site.DoubtRows(out.Discrepancies), "Next": req.NextPart(out.Next)})
}

// ListPeople serves people with their roles, and laptops.
func ListPeople(req *site.Request) error {
	out, err := req.Site.Audit.ListPeople(req.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return err
	}
	devices, err := site.Devices(req)
	if err != nil {
		return err
	}
	var people []personRow
	for _, p := range out.People {
		people = append(people, personRow{Href: "/owner/person/" + p.Person, Name: p.Name, Roles: rolesOf(p), Telephone: p.Telephone, Ends: len(p.Roles) > 0})
	}
	return req.Render("people", words.Say("people.title"), "owner", map[string]any{"People": people, "Devices": devices})
}

// personRow is a person as the list shows it.
type personRow struct {
	Href, Name, Roles, Telephone string
	Ends                         bool // there is a role that can end
}

// rolesOf are the roles of a person in words.
func rolesOf(p *pb.PersonRow) string {
	return cmp.Or(words.Plain(strings.Join(p.Roles, ", ")), words.Say("people.no_role"))
}

// ShowPerson serves what stands of one person, and each line of it to be put right.
func ShowPerson(req *site.Request) error {
	out, err := req.Site.Audit.GetPerson(req.Context(), &pb.GetPersonRequest{Person: req.PathValue("person")})
	if err != nil {
		return err
	}
	facts := []site.Pair{{Name: words.Say("person.name"), Value: out.Person.Name}, {Name: words.Say("person.roles"), Value: rolesOf(out.Person)}}
	if out.Registration != "" {
		facts = append(facts, site.Pair{Name: words.Say("person.registration"), Value: out.Registration})
	}
	if out.Person.Telephone != "" {
		facts = append(facts, site.Pair{Name: words.Say("person.telephone"), Value: out.Person.Telephone})
	}
	return req.Render("person", words.Say("person.title", out.Person.Name), "owner", map[string]any{
		"ID": out.Person.Person, "Facts": facts, "Story": site.StoryOf(out.Timeline), "Doubts": site.DoubtRows(out.Discrepancies), "Fresh": out.GetFreshness().GetText(),
	})
}

// lateRow is an entry made afterwards.
type lateRow struct{ About, Href, What, At, Written, Who string }

// ListLate serves the entries that were made afterwards.
func ListLate(req *site.Request) error {
	narrow := req.Narrow()
	part, err := req.Site.Audit.ListLate(req.Context(), &pb.ListLateRequest{Limit: site.PageRows, After: req.After(), From: narrow.From, To: narrow.To, Person: narrow.Person})
	if err != nil {
		return err
	}
	var rows []lateRow
	for _, r := range part.Rows {
		rows = append(rows, lateRow{
			About: r.Patient, Href: "/case/" + r.Case + "/sheet", What: words.Plain(r.What), Who: unprovenName(r),
			At: words.Moment(words.ParseTime(r.At)), Written: words.Moment(words.ParseTime(r.WrittenAt)),
		})
	}
	return req.Render("late", words.Say("late.title"), "owner", map[string]any{"Narrow": narrow, "Rows": rows, "Next": req.NextPart(part.Next)})
}

// table is one list as a file of comma-separated values. It is written as it is
// read, so that a long one takes no memory.
type table struct {
	name, title string
	head        []string
	rows        func(req *site.Request, add func(row ...string)) error
}

// tables are the lists there are.
func tables() []table {
	return []table{
		useTable("use", words.Say("owner.file_use"), "month"),
		useTable("use-place", words.Say("owner.file_place"), "place"),
		useTable("use-product", words.Say("owner.file_product"), "product"),
		useTable("use-person", words.Say("owner.file_person"), "person"),
		{"balance", words.Say("owner.file_balance"), []string{"group", "line", "out", "reason", "bags", "volume_ml", "cost", "currency"}, balanceTable},
		{"reactions", words.Say("results.reactions"), []string{"batch", "reactions", "transfusions", "low_95", "high_95", "p_two_sided"}, reactionTable},
	}
}

func useTable(name, title, by string) table {
	head := []string{by, "received", "given", "discarded", "missing", "given_ml", "cost", "waste", "currency"}
	return table{name, title, head, func(req *site.Request, add func(...string)) error {
		use, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: by})
		for _, r := range useRows(use) {
			add(r.Group, r.Received, r.Given, r.Discarded, r.Missing, r.GivenMl, r.Cost, r.Waste, use.Currency)
		}
		return err
	}}
}

// SendCSV sends a table as a file.
func SendCSV(req *site.Request) error {
	i := slices.IndexFunc(tables(), func(t table) bool { return t.name == req.PathValue("table") })
	if i < 0 {
		list, err := files.Find(req.PathValue("table"))
		if err != nil {
			return site.ErrNotFound
		}
		return sendList(req, list, files.CSV, nil)
	}
	t := tables()[i]
	return req.SendCSV(t.name, t.head, func(add func(...string)) error { return t.rows(req, add) })
}

// ListUnproven serves the owner's list.
func ListUnproven(req *site.Request) error {
	out, err := req.Site.Audit.ListUnproven(req.Context(), &pb.ListUnprovenRequest{})
	if err != nil {
		return err
	}
	return req.Render("unproven", words.Say("unproven.title"), "owner", site.UnprovenRows(out.Rows))
}

// unprovenName is a name with what its entry lacks.
func unprovenName(r *pb.LateRow) string {
	switch {
	case r.Unsigned:
		return words.Say("unproven.unsigned")
	case r.NoProof:
		return r.Who + " (" + wording.NoProof + ")"
	}
	return r.Who
}

// useBars draws bags given and thrown away by the chosen grouping, the last groups.
func useBars(use *pb.ListUseResponse) site.BarChart {
	var groups []site.BarValues
	for _, r := range use.Rows[max(0, len(use.Rows)-site.MaxBars):] {
		groups = append(groups, site.BarValues{Name: r.Group, Values: []float64{float64(r.Given), float64(r.Discarded + r.Missing)}})
	}
	return site.DrawBars(words.Say("chart.use"), []string{words.Say("chart.given"), words.Say("chart.wasted")}, groups)
}
