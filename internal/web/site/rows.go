package site

import (
	"net/url"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Due is something with a time.
type Due struct {
	AtMs    int64
	At      string
	What    string
	Href    string
	Overdue bool
	Alarm   bool // sounds when it is due
}

// DueOf words what is due, with where it is done.
func DueOf(d *pb.DueRow, href string) Due {
	at := words.ParseTime(d.At)
	return Due{AtMs: at.UnixMilli(), At: words.Moment(at), What: d.What, Href: href, Overdue: d.Overdue}
}

// CaseRow is a case as lists show it.
type CaseRow struct{ ID, Patient, Yard, State, Opened, Outcome, Given, Recheck, Reaction string }

// CaseRows words the cases of an answer.
func CaseRows(in []*pb.CaseRow) []CaseRow {
	var out []CaseRow
	for _, c := range in {
		row := CaseRow{ID: c.Case, Patient: c.Patient, Yard: c.Yard, State: words.Told(c.State), Outcome: words.Choice("Outcome", c.Outcome), Reaction: c.Reaction, Opened: words.Moment(words.ParseTime(c.OpenedAt))}
		if c.GivenMl > 0 {
			row.Given = words.Say("word.ml", c.GivenMl)
		}
		if c.RecheckDue != "" {
			row.Recheck = words.Moment(words.ParseTime(c.RecheckDue))
		}
		out = append(out, row)
	}
	return out
}

// DeviceRow is a laptop as lists show it.
type DeviceRow struct {
	ID, Name, LastHeard, Person string
	LastWriter                  string // where the books do not say whose it is
	Records                     uint64
	ShutOut                     bool
}

// Devices lists the laptops of the practice.
func Devices(req *Request) ([]DeviceRow, error) {
	out, err := req.Site.Audit.ListPeople(req.Context(), &pb.ListPeopleRequest{})
	if err != nil {
		return nil, err
	}
	var rows []DeviceRow
	for _, d := range out.Devices {
		rows = append(rows, DeviceRow{ID: d.Device, Name: d.Name, LastHeard: words.Moment(words.ParseTime(d.LastHeardAt)), Person: d.Person, LastWriter: d.LastWriter, Records: d.Records, ShutOut: d.ShutOut})
	}
	return rows, nil
}

// Story is a dated list. All is what is so of each of its lines, said once: marks, and how
// far they have come.
type Story struct {
	Rows []StoryRow
	All  string
}

// StoryRow is one line of a dated list. Wrong is the end of what it tells, where that is
// not right. What was corrected tells what it had told, and who put it right.
type StoryRow struct {
	At, What, Wrong, Who, Where, Marks, Record, Saved string
	Was, Fix, Correct                                 string // Correct is where it is put right
	Voided                                            bool
}

// StoryOf words the dated records of an answer.
func StoryOf(in []*pb.TimelineRow) (out Story) {
	marks := make([][]string, len(in))
	for i, r := range in {
		marks[i] = append(wording.OtherMarks(r.Marks), words.SavedState(r.Saved))
	}
	shared := wording.SharedMarks(marks)
	out.All = strings.Join(shared, "; ")
	for i, r := range in {
		row := storyRow(r)
		own := slices.DeleteFunc(marks[i], func(m string) bool { return slices.Contains(shared, m) })
		if n := len(own); n > 0 && own[n-1] == words.SavedState(r.Saved) {
			row.Saved, own = own[n-1], own[:n-1]
		}
		row.Marks = strings.Join(own, "; ")
		out.Rows = append(out.Rows, row)
	}
	return out
}

// storyRow words one record, but for its marks.
func storyRow(r *pb.TimelineRow) StoryRow {
	row := StoryRow{
		At: words.Moment(words.ParseTime(r.At)), What: strings.TrimSpace(strings.TrimSuffix(r.What, r.Wrong)), Wrong: r.Wrong,
		Who: r.Who, Where: r.Where, Record: r.Record, Was: r.Was,
	}
	if c := r.Corrected; c != nil {
		row.Voided, row.Fix = c.Voided, words.Say("story.corrected", words.Moment(words.ParseTime(c.At)), c.Who, c.Reason)
		if c.Voided {
			row.Fix = words.Say("story.voided", words.Moment(words.ParseTime(c.At)), c.Who, c.Reason)
		}
	}
	if r.Correctable {
		row.Correct = "/correct/" + r.Record
	}
	return row
}

// DoubtRow is a discrepancy as pages show it.
type DoubtRow struct {
	Kind, Code, EntityKind, Entity, EntityText, Text, At, HoldReached, Bag string
	Product, Batch                                                         string // of a batch
	Open                                                                   bool
	Explanations                                                           []string
}

// DoubtRows words the discrepancies of an answer.
func DoubtRows(in []*pb.DiscrepancyRow) []DoubtRow {
	var out []DoubtRow
	for _, d := range in {
		row := DoubtRow{
			Kind: words.Plain(d.Kind), Code: d.Kind, EntityText: d.Entity, Text: d.Text, At: words.Moment(words.ParseTime(d.At)), Open: d.Open,
			HoldReached: words.HoldReached(d.HoldReached), Explanations: d.Explanations,
		}
		row.EntityKind, row.Entity, _ = strings.Cut(d.Entity, " ")
		if row.EntityKind == event.KindCase {
			row.Entity, _, _ = strings.Cut(row.Entity, ",")
		}
		switch row.EntityKind {
		case event.KindBag:
			row.Bag = row.Entity
		case event.KindBatch:
			row.Product, row.Batch, _ = strings.Cut(row.Entity, "/")
		}
		out = append(out, row)
	}
	return out
}

// UnprovenRow is an act without proof, or an entry without a name.
type UnprovenRow struct {
	At, What, Who, About, Where, Record string
	Overrides                           []string
	Unsigned                            bool
}

// UnprovenRows words acts without proof and entries without a name.
func UnprovenRows(in []*pb.UnprovenRow) (out []*UnprovenRow) {
	for _, r := range in {
		out = append(out, &UnprovenRow{words.Moment(words.ParseTime(r.At)), r.What, r.Who, r.About, r.Where, r.Record, r.Overrides, r.Unsigned})
	}
	return out
}

// Pair is a name with its value, or an address with its words.
type Pair struct{ Name, Value string }

// PageRows is how many rows of a list that grows for years one page shows.
const PageRows = 100

// FileRows is how many rows of such a list are read at a time for a file.
const FileRows = 1000

// After is the mark at which this page goes on.
func (req *Request) After() string { return req.URL.Query().Get("after") }

// NextPart is the address of the next part of the list on this page; empty at the
// end.
func (req *Request) NextPart(next string) string {
	if next == "" {
		return ""
	}
	q := req.URL.Query()
	q.Set("after", next)
	return (&url.URL{Path: req.URL.Path, RawQuery: q.Encode()}).String()
}

// Narrow is what a long list is narrowed to: days, a person, and what else the page keeps
// in its address.
type Narrow struct {
	From, To, Person, Yard string
	People, Yards          bool   // whether those are asked for
	All                    string // of discrepancies: the closed ones too
	Any                    bool
}

// Narrow reads it off the page's address.
func (req *Request) Narrow() Narrow {
	q := req.URL.Query()
	n := Narrow{From: q.Get("from"), To: q.Get("to"), Person: q.Get("person"), Yard: q.Get("yard"), All: q.Get("all"), People: true}
	n.Any = n.From+n.To+n.Person+n.Yard != ""
	return n
}

// EachPart asks for all parts of a list, one after another: for files, which hold
// the whole.
func EachPart(ask func(after string) (next string, err error)) error {
	after := ""
	for {
		next, err := ask(after)
		if err != nil || next == "" {
			return err
		}
		after = next
	}
}
