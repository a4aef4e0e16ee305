package barn

import (
	"cmp"
	"strconv"
	"strings"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// treatMore is the page of a reaction. It never waits for a record.
type treatMore struct {
	Bag       *caseview.Bag
	Card      *caseview.ReactionCard
	Clamped   bool
	Trouble   string // when the clamp could not be noted
	RequestID string
	Reaction  *form.Form
	Stop      *form.Form
	Keep      *form.Form
	Drugs     []string // given so far
	Reactions []string
	Stopped   bool
}

func prepareTreat(req *site.Request, p *stepPage) (err error) {
	cv := p.Case
	m := &treatMore{Card: cv.ReactionCard(), RequestID: site.NewRequestID(), Clamped: cv.C.Clamped}
	p.More = m
	m.Bag = cv.Open()
	if m.Bag == nil || m.Bag.T == nil {
		m.Bag = cv.LastRun()
	}
	m.Stopped = m.Bag != nil && m.Bag.T != nil && !m.Bag.T.Running
	m.Drugs = drugsGiven(cv)
	if m.Reactions, err = reactionsSeen(cv); err != nil {
		return err
	}
	if m.Reaction, err = form.New(req, "reaction_noted", "signs", "grave"); err != nil {
		return err
	}
	m.Reaction.Set("case", cv.ID).Submit = words.Say("treat.submit_reaction")
	if m.Bag == nil {
		return nil
	}
	if m.Stop, err = form.New(req, "stopped", "given_ml", "reason"); err != nil {
		return err
	}
	m.Stop.Set("case", cv.ID).Set("bag", m.Bag.ID).Submit = words.Say("treat.submit_stop")
	if m.Keep, err = form.New(req, "bag_kept_back", "reason"); err != nil {
		return err
	}
	m.Keep.Set("bag", m.Bag.ID).Submit = words.Say("treat.submit_keep")
	if m.Keep.Input("reason").Value == "" {
		m.Keep.Input("reason").Value = words.Say("treat.keep_reason")
	}
	return nil
}

// reactionsSeen tells the signs with their times, then what was described afterwards.
func reactionsSeen(cv *caseview.View) (out []string, err error) {
	for _, r := range cv.C.Reactions {
		out = append(out, words.Say("treat.reaction", cv.At(r.Stamp.AtMs), strings.Join(r.Signs, ", ")))
	}
	if told := cv.C.LastTold(); len(out) == 0 && told != nil && told.ReactionSeen {
		out = append(out, words.Say("sheet.reaction_told"))
	}
	err = cv.Read(func(l *query.ReadView) error {
		for i := range cv.C.Details {
			d := &cv.C.Details[i]
			out = append(out, words.Say("treat.described", cv.At(d.Stamp.AtMs), l.DetailWords(d)))
		}
		return nil
	})
	return out, err
}

// drugsGiven tells each drug that was given, in a line.
func drugsGiven(cv *caseview.View) (out []string) {
	for _, d := range cv.C.Drugs {
		out = append(out, words.Say("treat.drug", cv.At(d.Stamp.AtMs), d.Drug, words.Num(float64(d.DoseUg)/1000), words.Num(float64(d.StrengthUgPerMl)/1000), d.Route))
	}
	return out
}

// postTreat notes what was done. The page is shown even when nothing can be
// written: treating comes first.
func postTreat(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*treatMore)
	here := "/case/" + p.Case.ID + "/treat"
	switch do := req.PostForm.Get("do"); do {
	case "reaction":
		return m.Reaction.PostTo(here)
	case "stop":
		return m.Stop.PostTo(here)
	case "keep":
		return m.Keep.PostTo(here)
	case "drug":
		return giveDrug(req, p, m, here)
	default:
		if m.Clamped || !p.Case.C.Running {
			return here, nil
		}
		if _, err := form.Write(req, "", "clamped", &pb.FlowChanged{Case: p.Case.ID, Reason: words.Say("treat.reason")}); err != nil {
			m.Trouble = words.Say("treat.trouble", err)
			return "", nil
		}
		return here, nil
	}
}

// giveDrug notes one line of the card as given now, as it was reckoned here.
func giveDrug(req *site.Request, p *stepPage, m *treatMore, here string) (string, error) {
	i, err := strconv.Atoi(req.PostForm.Get("line"))
	if err != nil || m.Card == nil || i < 0 || i >= len(m.Card.Lines) || m.Card.Lines[i].DoseUg == 0 {
		return "", refusal.Conflict("drug", req.PostForm.Get("line"), words.Say("card.line"))
	}
	line := m.Card.Lines[i]
	out, err := form.Write(req, "", "drug_given", &pb.DrugGiven{
		Case: p.Case.ID, Drug: line.Drug, DoseUg: int32(line.DoseUg), StrengthUgPerMl: int32(line.StrengthUg),
		Route: cmp.Or(line.Route, words.Say("card.route")), CheckedBy: req.PostForm.Get("checked_by"),
	})
	if err != nil {
		return "", err
	}
	req.Saved(out)
	return here, nil
}
