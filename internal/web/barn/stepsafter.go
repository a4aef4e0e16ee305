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
	return cv.Read(func(l *query.ReadView) error {
		due, err := l.RecheckUsual(cv.C)
		if in := p.Form.Input("due_at"); in != nil {
			in.Beside = words.Say("after.usual", cv.At(due.UnixMilli()))
		}
		return err
	})
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

// recheckMore sets what was measured after plasma beside what was before: the IgG, or the
// total protein of an adult.
type recheckMore struct {
	Protein                    bool
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

// laterEvents are what is entered afterwards, in the order of a night.
var laterEvents = []string{
	"patient_examined", "patient_weighed", "risk_asked", "colostrum_given", "igg_tested", "crossmatch_noted", "food_chain_told", "referral_offered", "estimate_agreed",
	"bags_carried", "bath_checked", "thaw_started", "bath_measured", "bag_thawed", "hang_checked", "catheter_placed", "set_attached",
	"transfusion_started", "rate_set", "vitals_noted", "fluid_given", "reaction_noted", "reaction_described", "drug_given", "clamped", "resumed",
	"stopped", "finished", "catheter_removed", "bag_discarded", "bag_kept_back", "follow_up_noted", "recheck_planned", "igg_rechecked", "adverse_event_considered", "adverse_event_described", "adverse_event_reported", "case_closed",
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
