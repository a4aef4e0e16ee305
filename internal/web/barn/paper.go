package barn

import (
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

// sheetMore is the case sheet: what the case is, its bags, and all that was done in the
// order in which it happened.
type sheetMore struct {
	Opened, State, Client, Phone string
	IggBefore, IggAfter          string
	Facts                        []site.Pair
	Bags                         []sheetBag
	Course                       []courseRow
	All                          string // what is so of every line of the course
	Vitals                       []caseview.VitalsRow
	Doubts                       []site.DoubtRow
	HasVitals                    bool
	Fresh                        string
	Practice                     string
	More                         []string // papers and numbers beside the treatment
}

type sheetBag struct{ Torn, Number, Product, Batch, Expiry, Started, Ended, Given string }

// courseRow is one line of what was done, with its day where that is another one than of
// the line above.
type courseRow struct {
	site.StoryRow
	Day, Time string
}

func prepareSheet(req *site.Request, p *stepPage) error {
	cv := p.Case
	full, err := req.Site.Cases.GetCase(req.Context(), &pb.GetCaseRequest{Case: cv.ID})
	if err != nil {
		return err
	}
	m := &sheetMore{State: words.Told(full.Case.State), Opened: words.Moment(words.ParseTime(full.Case.OpenedAt)), IggBefore: full.Igg, IggAfter: full.IggRecheck,
		Doubts: site.DoubtRows(full.Discrepancies), Fresh: full.GetFreshness().GetText(), More: full.Facts}
	m.Vitals = cv.Vitals()
	m.HasVitals = len(m.Vitals) > 1
	p.More = m
	reactions, err := reactionsSeen(cv)
	if err != nil {
		return err
	}
	m.bags(cv)
	return cv.Read(func(l *query.ReadView) error {
		if pr := l.Practice(); pr != nil {
			m.Practice = pr.Name
		}
		if cv.C.Patient != nil && cv.C.Patient.Client != "" {
			m.Client, m.Phone, _ = l.Client(cv.C.Patient.Client)
		}
		m.facts(cv, ageThen(l, cv.C), reactions)
		rows, err := l.Course(cv.C)
		m.Course, m.All = courseOf(withoutCharges(rows))
		return err
	})
}

// bags are what was given of which bag.
func (m *sheetMore) bags(cv *caseview.View) {
	for _, b := range cv.Bags {
		row := sheetBag{Torn: b.TornAt, Number: b.Number, Product: b.Product, Batch: b.Batch, Expiry: b.Expiry}
		if b.T != nil {
			row.Started, row.Given = cv.At(b.T.FirstMs()), words.Say("word.ml", b.T.CountedMl())
			if ms := b.T.LastMs(); ms != 0 {
				row.Ended = cv.At(ms)
			}
			if b.T.ToldEndMs != 0 {
				row.Ended = words.Say("sheet.ended_by_code", row.Ended)
			}
		}
		m.Bags = append(m.Bags, row)
	}
}

// ageThen is how old the patient was when plasma began, or when the case was opened: a
// sheet is read for years.
func ageThen(l *query.ReadView, c *ledger.Case) string {
	if c.Patient == nil {
		return ""
	}
	at, text := c.Patient.Stamp.AtMs, "sheet.age_opened"
	if len(c.Transfusions) > 0 {
		at, text = c.Transfusions[0].FirstMs(), "sheet.age_plasma"
	}
	age := site.HeaderOf(l, c, time.UnixMilli(at)).Age
	if age == "" {
		return ""
	}
	return words.Say(text, age)
}

// facts are the lines at the head of the sheet, only those that are known: what follows
// from what was entered, and what is looked for first.
func (m *sheetMore) facts(cv *caseview.View, age string, reactions []string) {
	add := func(name, value string) {
		if value != "" {
			m.Facts = append(m.Facts, site.Pair{Name: name, Value: value})
		}
	}
	add(words.Say("sheet.age"), age)
	add(words.Say("sheet.weight"), cv.Weight)
	add(words.Say("sheet.igg_before"), m.IggBefore)
	add(words.Say("sheet.igg_after"), m.IggAfter)
	add(words.Say("sheet.protein_before"), caseview.ProteinText(cv.C.Protein(false)))
	add(words.Say("sheet.protein_after"), caseview.ProteinText(cv.C.Protein(true)))
	add(words.Say("sheet.plan"), caseview.PlanWord(cv.DosePlan()))
	add(words.Say("sheet.given"), words.Say("word.ml", cv.C.PlasmaMl))
	if cv.C.Open() {
		add(words.Say("sheet.day"), words.Say("word.ml", cv.DayMl()))
	}
	add(words.Say("sheet.recheck"), cv.RecheckWord())
	add(words.Say("sheet.outcome"), words.Enum(cv.C.Outcome()))
	for _, line := range reactions {
		add(words.Say("sheet.reaction"), line)
	}
}

// withoutCharges leaves out what the clinic says of the bill: it is no part of treating.
func withoutCharges(rows []*pb.TimelineRow) (out []*pb.TimelineRow) {
	for _, r := range rows {
		if !strings.HasPrefix(r.Event, "charge_") && r.Event != "case_invoiced" {
			out = append(out, r)
		}
	}
	return out
}

// courseOf words what was done, a line each, and what is so of all the lines: how far
// they have come, the laptop, the marks.
func courseOf(rows []*pb.TimelineRow) (out []courseRow, all string) {
	laptops := map[string]bool{}
	for _, r := range rows {
		laptops[r.Where] = true
	}
	story, day := site.StoryOf(rows), ""
	held := words.SavedState(pb.SavedState_SAVED_STATE_HELD_ON_SERVER)
	for i, line := range story.Rows {
		at := words.ParseTime(rows[i].At)
		row := courseRow{StoryRow: line, Time: at.Format(words.Say("time.hour")), Day: at.Format(words.Say("time.day"))}
		row.Marks = strings.Join(slices.DeleteFunc([]string{line.Marks, line.Saved}, func(m string) bool { return m == "" || m == held }), "; ")
		if len(laptops) > 1 && row.Where != "" {
			row.Who = words.Say("sheet.who_where", row.Who, row.Where)
		}
		if row.Day == day {
			row.Day = ""
		} else {
			day = row.Day
		}
		out = append(out, row)
	}
	return out, story.All
}

// adviceMore is the sheet that stays with the client.
type adviceMore struct {
	Given, Ended, Recheck, Person, Practice string
	From, To                                string   // when the recheck is due where nobody planned it
	Telephone                               string   // of the practice
	Signs                                   []string // for which to call the practice
	Watch                                   string   // until when hepatitis is looked for
	Withdrawal                              []string
}

func prepareAdvice(_ *site.Request, p *stepPage) error {
	cv := p.Case
	m := &adviceMore{Given: words.Say("word.ml", cv.C.PlasmaMl), Signs: words.List("advice.signs")}
	if !cv.Foal {
		m.Signs = words.List("advice.signs_adult")
	}
	p.More = m
	if err := recheckPlan(cv, &m.Recheck, &m.Person); err != nil {
		return err
	}
	return cv.Read(func(l *query.ReadView) (err error) {
		if pr := l.Practice(); pr != nil {
			m.Practice = pr.Name
		}
		if m.Telephone, err = l.Telephone(); err != nil {
			return err
		}
		if err := m.times(l, cv); err != nil {
			return err
		}
		return m.papers(l, cv)
	})
}

// times are the end of plasma, and between when the recheck is due after it.
func (m *adviceMore) times(l *query.ReadView, cv *caseview.View) error {
	ms := cv.C.LastEndMs()
	if ms == 0 {
		return nil
	}
	hours, err := l.Setting(query.SettingRecheckHours)
	if err != nil {
		return err
	}
	m.Ended = cv.At(ms)
	m.From, m.To = cv.At(ms+soonestRecheck.Milliseconds()), cv.At(ms+(time.Duration(hours)*time.Hour).Milliseconds())
	return nil
}

// soonestRecheck is how soon after plasma a test tells: 12 to 24 h (DVM360 proceedings,
// August 2011).
const soonestRecheck = 12 * time.Hour

// papers reads until when the patient is watched, and what its labels say of meat.
func (m *adviceMore) papers(l *query.ReadView, cv *caseview.View) error {
	until, err := l.WatchUntil(cv.C)
	if err != nil {
		return err
	}
	if !until.IsZero() {
		m.Watch = until.Format("2 Jan 2006")
	}
	m.Withdrawal, err = l.WithdrawalLines(cv.C)
	return err
}

// blankMore is a sheet to fill by hand: for a foal, or for an adult.
type blankMore struct {
	Adult bool
	Rows  []string // of two fields each, as the catalogue has them
	Drugs [5]struct{}
}

// BlankSheet serves the sheet to fill by hand.
func BlankSheet(req *site.Request) error {
	m := &blankMore{Adult: req.URL.Query().Get("adult") != ""}
	m.Rows = []string{"blank.date", "blank.marks", "blank.born", "blank.risk", "blank.look"}
	if m.Adult {
		m.Rows = []string{"blank.date_adult", "blank.marks", "blank.age", "blank.match", "blank.look_adult"}
	}
	m.Rows = append(m.Rows, "blank.referral", "blank.bags", "blank.thaw", "blank.catheter", "blank.set")
	return req.Render("blank", words.Say("blank.heading"), "barn", m)
}
