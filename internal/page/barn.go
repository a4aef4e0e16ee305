package page

import (
	"cmp"
	"net/http"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// nowMore is the barn page: what runs and what is due.
type nowMore struct {
	Running []nowCase
	Due     []dueRow
	Open    []nowCase
	Unsent  int
	Fresh   string
	Empty   bool // nothing is in the books yet
}

// nowCase is an open case with its next step.
type nowCase struct {
	ID, Patient, Yard, Step, Button, Said string
	Clamped                               bool
	Held                                  string // another laptop has it
}

// dueRow is something with a time.
type dueRow struct {
	AtMs    int64
	At      string
	What    string
	Href    string
	Overdue bool
	Alarm   bool // sounds when it is due
}

// showNow serves the barn page.
func showNow(req *Request) error {
	now, err := req.Site.Cases.GetNow(req.Context(), &pb.GetNowRequest{})
	if err != nil {
		return err
	}
	m := &nowMore{Unsent: int(now.NotYetSent), Fresh: now.GetFreshness().GetText()}
	here, err := m.openCases(req)
	if err != nil {
		return err
	}
	for _, d := range now.Due {
		at := timeOf(d.At)
		row := dueRow{AtMs: at.UnixMilli(), At: clockText(at), What: d.What, Overdue: d.Overdue}
		switch {
		case d.Bag != "":
			row.What += " " + d.Bag
			row.Href = "/bag/" + strings.ReplaceAll(d.Bag, "-", "")
		case strings.HasPrefix(d.What, "vitals"):
			row.Href, row.Alarm = "/case/"+d.Case+"/run", here[d.Case]
		default:
			row.Href = "/case/" + d.Case + "/recheck"
		}
		m.Due = append(m.Due, row)
	}
	slices.SortStableFunc(m.Due, func(a, b dueRow) int { return cmp.Compare(a.AtMs, b.AtMs) })
	return req.render("now", say("now.title"), "barn", m)
}

// maxOpen bounds the open cases that the page reads in full, beside those in
// which a bag runs.
const maxOpen = 50

// openCases lists open cases with their next step, and the thaws that go on. It
// says of which cases this laptop wrote: their alarms sound here, and those of
// patients that another vet sits with are only listed.
func (m *nowMore) openCases(req *Request) (here map[string]bool, err error) {
	err = req.Read(func(l service.Look) error {
		m.Empty = l.Practice() == nil
		return nil
	})
	if err != nil {
		return nil, err
	}
	here = map[string]bool{}
	return here, eachOpen(req, func(cv *View) error {
		id := cv.ID
		here[id] = cv.Here
		row := nowCase{ID: id, Patient: cv.Patient.Line, Yard: cv.Patient.Yard, Step: cv.Next.Slug, Button: cv.Next.Button, Said: cv.Next.Said, Clamped: cv.C.Clamped}
		if len(cv.C.Adoptions) > 0 {
			err := cv.Read(func(l service.Look) error {
				if laptop, elsewhere := l.Holder(cv.C); elsewhere {
					row.Held = say("adopt.elsewhere", laptop, cv.at(cv.C.Adoptions[len(cv.C.Adoptions)-1].Stamp.AtMs))
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		if cv.C.Running {
			m.Running = append(m.Running, row)
		} else {
			m.Open = append(m.Open, row)
		}
		m.thaws(cv)
		return nil
	})
}

// nowCases lists the cases in which a bag runs, and the newest of the open ones.
func nowCases(l service.Look) ([]string, error) {
	running, err := l.Find(ledger.TermRunning)
	if err != nil {
		return nil, err
	}
	open, err := l.Newest(ledger.TermOpenCase, maxOpen)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, k := range append(running, open...) {
		if !slices.Contains(ids, k.ID) {
			ids = append(ids, k.ID)
		}
	}
	return ids, nil
}

// eachOpen hands on the open cases, as many as are read in full.
func eachOpen(req *Request, fn func(*View) error) error {
	var ids []string
	err := req.Read(func(l service.Look) (err error) {
		ids, err = nowCases(l)
		return err
	})
	if err != nil {
		return err
	}
	for _, id := range ids {
		cv, err := caseOf(req, id)
		if err != nil {
			return err
		}
		if err := fn(cv); err != nil {
			return err
		}
	}
	return nil
}

// thaws puts the next measuring of each bath into the list.
func (m *nowMore) thaws(cv *View) {
	for _, b := range cv.Bags {
		if b.Stage != stageThawing {
			continue
		}
		at := b.BathAt.Add(measureEvery)
		m.Due = append(m.Due, dueRow{
			AtMs: at.UnixMilli(), At: clockText(at), What: say("now.measure", b.Number, cv.Patient.Line),
			Href: "/case/" + cv.ID + "/thaw?bag=" + b.ID, Overdue: at.Before(cv.Now), Alarm: cv.Here,
		})
	}
}

// showCase goes to the one obvious next step.
func showCase(req *Request) error {
	cv, err := caseOf(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	slug := cv.Next.Slug
	if !cv.C.Open() {
		slug = "sheet"
	}
	http.Redirect(req.W, req.Request, "/case/"+cv.ID+"/"+slug, http.StatusSeeOther)
	return nil
}

// listCases serves all cases, the open and the newest first.
func listCases(req *Request) error {
	out, err := req.Site.Cases.ListCases(req.Context(), &pb.ListCasesRequest{Limit: partRows, After: req.after()})
	if err != nil {
		return err
	}
	return req.render("cases", say("cases.title"), "barn", map[string]any{"Rows": caseRows(out.Cases), "Next": req.nextPart(out.Next)})
}

type caseRow struct{ ID, Patient, Yard, State, Opened, Outcome, Given, Recheck string }

func caseRows(in []*pb.CaseRow) []caseRow {
	var out []caseRow
	for _, c := range in {
		row := caseRow{ID: c.Case, Patient: c.Patient, Yard: c.Yard, State: c.State, Outcome: plain(c.Outcome), Opened: clockText(timeOf(c.OpenedAt))}
		if c.GivenMl > 0 {
			row.Given = say("word.ml", c.GivenMl)
		}
		if c.RecheckDue != "" {
			row.Recheck = clockText(timeOf(c.RecheckDue))
		}
		out = append(out, row)
	}
	return out
}

// showBag serves what happened to one bag.
func showBag(req *Request) error {
	out, err := req.Site.Stock.GetBag(req.Context(), &pb.GetBagRequest{Bag: req.PathValue("bag")})
	if err != nil {
		return err
	}
	b := out.Bag
	m := map[string]any{
		"Bag": bagRows([]*pb.BagRow{b})[0], "Story": storyRows(out.Timeline), "Doubts": doubtRows(out.Discrepancies),
		"Fresh": out.GetFreshness().GetText(), "Because": b.Because,
	}
	return req.render("bag", say("bag.title", bagText(b.Bag)), "clinic", m)
}

// showRecord serves one record in full.
func showRecord(req *Request) error {
	out, err := req.Site.Audit.GetRecord(req.Context(), recordRequest(req.PathValue("record")))
	if err != nil {
		return err
	}
	facts := []Pair{
		{say("record.what"), out.Type},
		{say("record.happened"), clockText(timeOf(out.At))},
		{say("record.written"), clockText(timeOf(out.WrittenAt))},
		{say("record.who"), out.Who},
		{say("record.known"), knownWords(out)},
		{say("record.laptop"), out.Device},
		{say("record.kept"), savedWords(out.Saved)},
		{say("record.about"), strings.Join(out.Entities, ", ")},
		{say("record.record"), out.Record},
	}
	return req.render("record", say("record.heading"), "owner", map[string]any{"Facts": facts, "Entry": entryLines(out.Entry)})
}

// knownWords says how the laptop knew who wrote a record.
func knownWords(r *pb.GetRecordResponse) string {
	if r.Proof == pb.ProofKind_PROOF_KIND_PIN {
		return say("record.proven", clockText(timeOf(r.ProvenAt)))
	}
	return service.NoProof
}

// entryLines are the values of an entry with their names.
func entryLines(e *pb.Entry) []Pair {
	_, m, err := event.Unwrap(e)
	if err != nil {
		return nil
	}
	return messageLines(m.ProtoReflect())
}

// writeEvent serves the generic form of any event that people write.
func writeEvent(req *Request) error {
	name := req.PathValue("event")
	f, err := req.newForm(name)
	if err != nil {
		return err
	}
	if req.Session.Phone && req.staysHere(f.spec) {
		req.fail(http.StatusForbidden, say("phones.stays"))
		return nil
	}
	q := req.URL.Query()
	for _, in := range f.Inputs {
		if text := q.Get(in.Name); text != "" && req.Method == http.MethodGet {
			in.keep([]string{text})
		}
	}
	back := q.Get("back")
	if id := q.Get("case"); id != "" && specHas(f, "case") {
		f.set("case", id)
		back = orText(back, "/case/"+id+"/later")
	}
	if req.Method == http.MethodPost {
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			return req.redirect(orText(back, req.Site.home()))
		}
		req.Code = http.StatusUnprocessableEntity
	}
	m := map[string]any{"Form": f, "Back": orText(back, req.Site.home())}
	if id := q.Get("case"); id != "" {
		cv, err := caseOf(req, id)
		if err != nil {
			return err
		}
		return req.renderCase("write", f.spec.Rule.GetShort(), "barn", &cv.Header, m)
	}
	return req.render("write", f.spec.Rule.GetShort(), "clinic", m)
}

func specHas(f *Form, field string) bool {
	return f.spec.Message().Fields().ByName(protoName(field)) != nil
}

// blankSheet serves the sheet to fill by hand.
func blankSheet(req *Request) error {
	return req.render("blank", say("blank.heading"), "barn", nil)
}

// moreIn serves the way in for a second browser.
func moreIn(req *Request) error {
	url, err := req.Site.Entrance()
	if err != nil {
		return err
	}
	return req.render("another", say("another.title"), "", url)
}
