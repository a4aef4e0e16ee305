package page

import (
	"cmp"
	"strconv"
	"strings"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// treatMore is the page of a reaction. It never waits for a record.
type treatMore struct {
	Bag       *Bag
	Card      *reactionCard
	Clamped   bool
	Trouble   string // when the clamp could not be noted
	RequestID string
	Reaction  *Form
	Stop      *Form
	Keep      *Form
	Drugs     []string // given so far
	Reactions []string
	Stopped   bool
}

func prepareTreat(req *Request, p *stepPage) (err error) {
	cv := p.Case
	m := &treatMore{Card: cv.reactionCard(), RequestID: newRequestID(), Clamped: cv.C.Clamped}
	p.More = m
	m.Bag = cv.open()
	if m.Bag == nil || m.Bag.T == nil {
		m.Bag = cv.lastRun()
	}
	m.Stopped = m.Bag != nil && m.Bag.T != nil && !m.Bag.T.Running
	for _, d := range cv.C.Drugs {
		m.Drugs = append(m.Drugs, say("treat.drug", cv.at(d.Stamp.AtMs), d.Drug, num(float64(d.DoseUg)/1000), num(float64(d.StrengthUgPerMl)/1000), d.Route))
	}
	for _, r := range cv.C.Reactions {
		m.Reactions = append(m.Reactions, say("treat.reaction", cv.at(r.Stamp.AtMs), strings.Join(r.Signs, ", ")))
	}
	if m.Reaction, err = req.newForm("reaction_noted", "signs", "grave"); err != nil {
		return err
	}
	m.Reaction.set("case", cv.ID).Submit = say("treat.submit_reaction")
	if m.Bag == nil {
		return nil
	}
	if m.Stop, err = req.newForm("stopped", "given_ml", "reason"); err != nil {
		return err
	}
	m.Stop.set("case", cv.ID).set("bag", m.Bag.ID).Submit = say("treat.submit_stop")
	if m.Keep, err = req.newForm("bag_kept_back", "reason"); err != nil {
		return err
	}
	m.Keep.set("bag", m.Bag.ID).Submit = say("treat.submit_keep")
	if m.Keep.input("reason").Value == "" {
		m.Keep.input("reason").Value = say("treat.keep_reason")
	}
	return nil
}

// postTreat notes what was done. The page is shown even when nothing can be
// written: treating comes first.
func postTreat(req *Request, p *stepPage) (string, error) {
	m := p.More.(*treatMore)
	here := "/case/" + p.Case.ID + "/treat"
	switch do := req.PostForm.Get("do"); do {
	case "reaction":
		return postOne(req, m.Reaction, here)
	case "stop":
		return postOne(req, m.Stop, here)
	case "keep":
		return postOne(req, m.Keep, here)
	case "drug":
		return giveDrug(req, p, m, here)
	default:
		if m.Clamped || !p.Case.C.Running {
			return here, nil
		}
		if _, err := req.writeOne("", "clamped", &pb.FlowChanged{Case: p.Case.ID, Reason: say("treat.reason")}); err != nil {
			m.Trouble = say("treat.trouble", err)
			return "", nil
		}
		return here, nil
	}
}

func postOne(req *Request, f *Form, to string) (string, error) {
	if f == nil {
		return "", ErrNotFound
	}
	out, ok, err := f.post()
	if err != nil || !ok {
		return "", err
	}
	req.saved(out)
	return to, nil
}

// giveDrug notes one line of the card as given now, as it was reckoned here.
func giveDrug(req *Request, p *stepPage, m *treatMore, here string) (string, error) {
	i, err := strconv.Atoi(req.PostForm.Get("line"))
	if err != nil || m.Card == nil || i < 0 || i >= len(m.Card.Lines) || m.Card.Lines[i].doseUg == 0 {
		return "", refusal.Conflict("drug", req.PostForm.Get("line"), say("card.line"))
	}
	line := m.Card.Lines[i]
	out, err := req.writeOne("", "drug_given", &pb.DrugGiven{
		Case: p.Case.ID, Drug: line.Drug, DoseUg: int32(line.doseUg), StrengthUgPerMl: int32(line.strengthUg),
		Route: cmp.Or(line.Route, say("card.route")), CheckedBy: req.PostForm.Get("checked_by"),
	})
	if err != nil {
		return "", err
	}
	req.saved(out)
	return here, nil
}
