package barn

import (
	"slices"
	"strings"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// handoverMore is what stands on the page to photograph.
type handoverMore struct {
	*runMore
	Last   string // the last handing over in words
	Reacts []string
	Drugs  []string
	Card   *caseview.ReactionCard
	Code   *pb.ShowCodeResponse // nil when nothing runs
}

func prepareHandover(req *site.Request, p *stepPage) error {
	f := p.Form
	p.Form = nil
	if err := prepareRun(req, p); err != nil {
		return err
	}
	cv := p.Case
	m := &handoverMore{runMore: p.More.(*runMore), Card: cv.ReactionCard(), Drugs: drugsGiven(cv)}
	p.More, p.Form = m, f
	f.Submit = words.Say("handover.submit")
	if m.Bag != nil {
		code, err := query.Reader{Replica: req.Site.Replica}.ShowCode(req.Context(), cv.ID)
		if _, refused := refusal.As(err); err != nil && !refused {
			return err
		}
		m.Code = code
		if err != nil {
			m.Code = nil // it does not fit into a code; the file carries it
		}
	}
	var err error
	if m.Reacts, err = reactionsSeen(cv); err != nil {
		return err
	}
	if n := len(cv.C.Handovers); n > 0 {
		h := cv.C.Handovers[n-1]
		return cv.Read(func(l *query.ReadView) error { m.Last = handoverWords(cv, l, &h); return nil })
	}
	return nil
}

// handoverWords tells a handing over in one line.
func handoverWords(cv *caseview.View, l *query.ReadView, h *ledger.Handover) string {
	parts := []string{words.Say("handover.to", l.Person(h.To), cv.At(h.Stamp.AtMs))}
	if h.GivenMl != nil {
		parts = append(parts, words.Say("word.ml", *h.GivenMl))
	}
	if h.MlPerH != nil {
		parts = append(parts, words.Say("run.ml_per_h", *h.MlPerH))
	}
	parts = append(parts, words.Say("handover.reaction_seen", words.YesNo(h.ReactionSeen)))
	if h.NextVitalsMs != 0 {
		parts = append(parts, words.Say("handover.next", cv.At(h.NextVitalsMs)))
	}
	if h.Sitter != "" {
		parts = append(parts, words.Say("handover.sitter", h.Sitter))
	}
	return strings.Join(parts, ", ")
}

// afterMore is what is due after plasma.
type afterMore struct{ Due []dueRow }

// dueRow is one thing that is due, and where it is done or explained.
type dueRow struct{ At, What, Who, Href, Leave string }

func prepareAfter(_ *site.Request, p *stepPage) error {
	cv := p.Case
	p.Form.Submit = words.Say("after.submit")
	m := &afterMore{}
	p.More = m
	for _, f := range cv.After {
		m.Due = append(m.Due, dueRow{
			At: cv.At(f.DueMs), What: f.Text, Who: f.Person, Href: followHref(cv, f),
			Leave: "/write/follow_up_noted?case=" + cv.ID + "&what=" + wording.Code(f.What) + "&back=/case/" + cv.ID + "/after",
		})
	}
	return nil
}

// followHref is where something that is due is done.
func followHref(cv *caseview.View, f query.FollowUp) string {
	at := "/case/" + cv.ID
	switch f.What {
	case pb.FollowUp_FOLLOW_UP_DRUG:
		return at + "/treat"
	case pb.FollowUp_FOLLOW_UP_NEXT_BAG:
		return at + "/dose"
	case pb.FollowUp_FOLLOW_UP_REST_OF_BAG:
		return at + "/rest"
	}
	return "/write/vitals_noted?case=" + cv.ID + "&back=" + at
}

// recheckPlan tells when the recheck is due, and who does it.
func recheckPlan(cv *caseview.View, due, person *string) error {
	n := len(cv.C.RecheckPlans)
	if n == 0 {
		return nil
	}
	plan := cv.C.RecheckPlans[n-1]
	*due = cv.At(plan.DueMs)
	return cv.Read(func(l *query.ReadView) error { *person = l.Person(plan.Person); return nil })
}

// recheckMore sets the IgG after plasma beside the one before.
type recheckMore struct {
	Due, Person, Before, After string
	Share                      string
	Refusal                    string
	Igg                        site.BarChart
}

func prepareRecheck(_ *site.Request, p *stepPage) error {
	cv := p.Case
	m := &recheckMore{Igg: iggBars(cv.C.IggTests)}
	p.More = m
	if err := recheckPlan(cv, &m.Due, &m.Person); err != nil {
		return err
	}
	err := cv.Read(func(l *query.ReadView) error {
		if t := cv.LastIgg(false); t != nil {
			m.Before = l.IggTest(t)
		}
		if t := cv.LastIgg(true); t != nil {
			m.After = l.IggTest(t)
		}
		return nil
	})
	before, after := cv.LastIgg(false), cv.LastIgg(true)
	if err != nil || before == nil || after == nil || before.IggCgPerL == nil || after.IggCgPerL == nil {
		return err
	}
	donor := givenIggGPerL(cv.Bags)
	if donor == 0 {
		m.Refusal = words.Say("recheck.no_donor")
		p.basis(engine.ClassAfter(float64(*after.IggCgPerL) / 100).Basis)
		return nil
	}
	r, err := engine.Response(engine.ResponseInput{
		WeightKg: cv.Kg, IgGBeforeGPerL: new(float64(*before.IggCgPerL) / 100), IgGAfterGPerL: new(float64(*after.IggCgPerL) / 100),
		GivenMl: float64(cv.C.PlasmaMl), DonorIgGGPerL: donor, AgeH: cv.AgeH,
	})
	if err != nil {
		m.Refusal = err.Error()
		return nil
	}
	p.basis(r.Basis)
	m.Share = words.Num(r.ShareFound)
	return nil
}

// givenIggGPerL is the IgG of the plasma that was given, over all bags by their mL; 0
// when that of one of them is not known.
func givenIggGPerL(bags []*caseview.Bag) float64 {
	var mg, ml float64
	for _, b := range bags {
		if b.T == nil || b.T.CountedMl() == 0 {
			continue
		}
		if b.IggCgPerL == 0 {
			return 0
		}
		given := float64(b.T.CountedMl())
		mg, ml = mg+given*float64(b.IggCgPerL)/100, ml+given
	}
	if ml == 0 {
		return 0
	}
	return mg / ml
}

// sheetMore is the case sheet: one page to print.
type sheetMore struct {
	Opened, State, Client, Phone string
	IggBefore, IggAfter          string
	Facts                        []site.Pair
	Bags                         []sheetBag
	Vitals                       []caseview.VitalsRow
	Story                        []site.StoryRow
	Doubts                       []site.DoubtRow
	HasVitals                    bool
	Fresh                        string
	Practice                     string
	More                         []string // papers and numbers beside the treatment
}

type sheetBag struct{ Torn, Number, Product, Batch, Expiry, Started, Ended, Given string }

func prepareSheet(req *site.Request, p *stepPage) error {
	cv := p.Case
	full, err := req.Site.Cases.GetCase(req.Context(), &pb.GetCaseRequest{Case: cv.ID})
	if err != nil {
		return err
	}
	m := &sheetMore{State: full.Case.State, Opened: words.Moment(words.ParseTime(full.Case.OpenedAt)), IggBefore: full.Igg, IggAfter: full.IggRecheck,
		Story: site.StoryRows(full.Timeline), Doubts: site.DoubtRows(full.Discrepancies), Fresh: full.GetFreshness().GetText(), More: full.Facts}
	m.Vitals = cv.Vitals()
	slices.Reverse(m.Vitals)
	m.HasVitals = len(m.Vitals) > 1
	p.More = m
	reactions, err := reactionsSeen(cv)
	if err != nil {
		return err
	}
	m.facts(cv, reactions)
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
	return cv.Read(func(l *query.ReadView) error {
		if pr := l.Practice(); pr != nil {
			m.Practice = pr.Name
		}
		if cv.C.Patient != nil && cv.C.Patient.Client != "" {
			m.Client, m.Phone, _ = l.Client(cv.C.Patient.Client)
		}
		return nil
	})
}

// facts are the lines of the sheet, only those that are known.
func (m *sheetMore) facts(cv *caseview.View, reactions []string) {
	add := func(name, value string) {
		if value != "" {
			m.Facts = append(m.Facts, site.Pair{Name: name, Value: value})
		}
	}
	add(words.Say("sheet.age"), cv.Patient.Age)
	add(words.Say("sheet.weight"), cv.Weight)
	add(words.Say("sheet.risk"), cv.RiskWord())
	add(words.Say("sheet.colostrum"), cv.ColostrumWord())
	add(words.Say("sheet.look"), cv.LookWord())
	add(words.Say("sheet.referral"), cv.ReferralWord())
	add(words.Say("sheet.igg_before"), m.IggBefore)
	add(words.Say("sheet.igg_after"), m.IggAfter)
	add(words.Say("sheet.protein_before"), caseview.ProteinText(cv.C.Protein(false)))
	add(words.Say("sheet.protein_after"), caseview.ProteinText(cv.C.Protein(true)))
	add(words.Say("sheet.plan"), caseview.PlanWord(cv.DosePlan()))
	add(words.Say("sheet.given"), words.Say("word.ml", cv.C.PlasmaMl))
	add(words.Say("sheet.day"), words.Say("word.ml", cv.DayMl()))
	add(words.Say("sheet.recheck"), cv.RecheckWord())
	add(words.Say("sheet.outcome"), words.Enum(cv.C.Outcome()))
	for _, line := range reactions {
		add(words.Say("sheet.reaction"), line)
	}
}

// adviceMore is the sheet that stays with the client.
type adviceMore struct {
	Given, Ended, Recheck, Person, Practice string
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
	if ms := cv.C.LastEndMs(); ms != 0 {
		m.Ended = cv.At(ms)
	}
	if err := recheckPlan(cv, &m.Recheck, &m.Person); err != nil {
		return err
	}
	return cv.Read(func(l *query.ReadView) (err error) {
		if pr := l.Practice(); pr != nil {
			m.Practice = pr.Name
		}
		return m.papers(l, cv)
	})
}

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

// laterEvents are what is entered afterwards, in the order of a night.
var laterEvents = []string{
	"patient_examined", "patient_weighed", "risk_asked", "colostrum_given", "igg_tested", "crossmatch_noted", "food_chain_told", "referral_offered", "estimate_agreed",
	"bags_carried", "bath_checked", "thaw_started", "bath_measured", "bag_thawed", "hang_checked", "catheter_placed", "set_attached",
	"transfusion_started", "rate_set", "vitals_noted", "fluid_given", "reaction_noted", "reaction_described", "drug_given", "clamped", "resumed",
	"stopped", "finished", "catheter_removed", "bag_discarded", "bag_kept_back", "follow_up_noted", "recheck_planned", "igg_rechecked", "adverse_event_considered", "adverse_event_reported", "case_closed",
}

// newbornEvents are asked about foals alone.
var newbornEvents = []string{"risk_asked", "colostrum_given"}

func prepareLater(_ *site.Request, p *stepPage) error {
	var out []site.Pair
	for _, name := range laterEvents {
		if !p.Case.Foal && slices.Contains(newbornEvents, name) {
			continue
		}
		if spec := form.SpecOf(name); spec != nil {
			out = append(out, site.Pair{Name: "/write/" + name + "?later=1&case=" + p.Case.ID, Value: spec.Rule.GetShort()})
		}
	}
	p.More = out
	return nil
}

// iggBars draws IgG before and after plasma, in the order of the tests.
func iggBars(tests []ledger.IggTest) site.BarChart {
	var groups []site.BarValues
	for i := range tests {
		t := &tests[i]
		if t.IggCgPerL == nil {
			continue
		}
		name := words.Say("chart.before")
		if t.Recheck {
			name = words.Say("chart.after")
		}
		groups = append(groups, site.BarValues{Name: name, Values: []float64{float64(*t.IggCgPerL) / 100}})
	}
	return site.DrawBars(words.Say("chart.alt"), []string{words.Say("chart.igg")}, groups[max(0, len(groups)-site.MaxBars):])
}
