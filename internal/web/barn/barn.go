package barn

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// nowMore is the barn page: what runs and what is due.
type nowMore struct {
	Running []nowCase
	Due     []site.Due
	Open    []nowCase
	Unsent  int
	Fresh   string
	Empty   bool // nothing is in the books yet
}

// nowCase is an open case with its next step.
type nowCase struct {
	ID, Patient, Yard, Button, Said string
	Clamped                         bool
	Held                            string // another laptop has it
	// Of a case in which plasma runs: when it is looked at again, and what stands.
	VitalsDueMs, AlarmMs int64
	VitalsDue, Alarm     string
	Here                 bool // its alarms sound here
	Stops                *site.Running
}

// ShowNow serves the barn page.
func ShowNow(req *site.Request) error {
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
		row := site.DueOf(d, "/case/"+d.Case+"/recheck")
		switch {
		case d.Bag != "":
			row.What += " " + d.Bag
			row.Href = "/bag/" + strings.ReplaceAll(d.Bag, "-", "")
		case strings.HasPrefix(d.What, "vitals") && m.runs(d.Case):
			continue // it stands with its patient, above
		case strings.HasPrefix(d.What, "vitals"):
			row.Href, row.Alarm = "/case/"+d.Case+"/run", here[d.Case]
		}
		m.Due = append(m.Due, row)
	}
	slices.SortStableFunc(m.Due, func(a, b site.Due) int { return cmp.Compare(a.AtMs, b.AtMs) })
	return req.Render("now", words.Say("now.title"), "barn", m)
}

// maxOpen bounds the open cases that the page reads in full, beside those in
// which a bag runs.
const maxOpen = 50

// openCases lists open cases with their next step, and the thaws that go on. It
// says of which cases this laptop wrote: their alarms sound here, and those of
// patients that another vet sits with are only listed.
func (m *nowMore) openCases(req *site.Request) (here map[string]bool, err error) {
	err = req.Read(func(l *query.ReadView) error {
		m.Empty = l.Practice() == nil
		return nil
	})
	if err != nil {
		return nil, err
	}
	here = map[string]bool{}
	return here, eachOpen(req, func(cv *caseview.View) error {
		id := cv.ID
		here[id] = cv.Here
		row := nowCase{ID: id, Patient: cv.Patient.Line, Yard: cv.Patient.Yard, Button: cv.Next.Button, Said: cv.Next.Said, Clamped: cv.C.Clamped}
		if len(cv.C.Adoptions) > 0 {
			err := cv.Read(func(l *query.ReadView) error {
				if laptop, elsewhere := l.Holder(cv.C); elsewhere {
					row.Held = words.Say("adopt.elsewhere", laptop, cv.At(cv.C.Adoptions[len(cv.C.Adoptions)-1].Stamp.AtMs))
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		if cv.C.Running {
			row.watch(cv)
			m.Running = append(m.Running, row)
		} else {
			m.Open = append(m.Open, row)
		}
		m.thaws(cv)
		return nil
	})
}

// watch takes in when a patient that has plasma running is looked at again, and the
// alarms that stand.
func (c *nowCase) watch(cv *caseview.View) {
	due := time.UnixMilli(query.NextVitals(cv.C)).In(cv.Zone)
	c.VitalsDueMs, c.VitalsDue = due.UnixMilli(), due.Format("15:04")
	_, c.AlarmMs = cv.Alarm()
	c.Alarm, c.Here, c.Stops = cv.AlarmShort(), cv.Here, cv.Running
}

// runs says that a case stands among those in which plasma runs.
func (m *nowMore) runs(id string) bool {
	return slices.ContainsFunc(m.Running, func(c nowCase) bool { return c.ID == id })
}

// nowCases lists the cases in which a bag runs, and the newest of the open ones.
func nowCases(l *query.ReadView) ([]string, error) {
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
func eachOpen(req *site.Request, fn func(*caseview.View) error) error {
	var ids []string
	err := req.Read(func(l *query.ReadView) (err error) {
		ids, err = nowCases(l)
		return err
	})
	if err != nil {
		return err
	}
	for _, id := range ids {
		cv, err := caseview.Of(req, id)
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
func (m *nowMore) thaws(cv *caseview.View) {
	for _, b := range cv.Bags {
		if b.Stage != caseview.Thawing {
			continue
		}
		at := b.BathAt.Add(measureEvery)
		m.Due = append(m.Due, site.Due{
			AtMs: at.UnixMilli(), At: words.Moment(at), What: words.Say("now.measure", b.Number, cv.Patient.Line),
			Href: "/case/" + cv.ID + "/thaw?bag=" + b.ID, Overdue: at.Before(cv.Now), Alarm: cv.Here,
		})
	}
}

// ShowCase goes to the one obvious next step.
func ShowCase(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
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

// ListCases serves all cases, the open and the newest first.
func ListCases(req *site.Request) error {
	narrow := req.Narrow()
	narrow.Yards = true
	out, err := req.Site.Cases.ListCases(req.Context(), &pb.ListCasesRequest{
		Limit: site.PageRows, After: req.After(), From: narrow.From, To: narrow.To, Person: narrow.Person, Yard: narrow.Yard,
	})
	if err != nil {
		return err
	}
	return req.Render("cases", words.Say("cases.title"), "barn", map[string]any{"Narrow": narrow, "Rows": site.CaseRows(out.Cases), "Next": req.NextPart(out.Next)})
}

// VitalsChart draws heart and breathing rate on the left and temperature on the
// right, one mark for each look, at its minute.
func VitalsChart(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	req.SendPicture(site.VitalsOverTime(cv.C.Vitals, cv.Zone).Draw(req.ChartLook()))
	return nil
}
