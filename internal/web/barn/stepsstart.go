package barn

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// startMore is what the start page shows.
type startMore struct {
	Bag            *caseview.Bag
	MlPerH, Drops  string
	Minutes        string
	Volume         string
	Card           *caseview.ReactionCard
	RequestID      string
	Gauge, Site    string
	slowMlPerH     int32
	CatheterPlaced bool
	Against        []form.Override // what stands against the start, the gravest first
	PIN            *form.Form      // going past it asks for a PIN
}

func prepareStart(req *site.Request, p *stepPage) error {
	cv := p.Case
	m := &startMore{Bag: cv.Waiting(), RequestID: site.NewRequestID(), Card: cv.ReactionCard()}
	p.More = m
	if id := req.URL.Query().Get("bag"); id != "" {
		m.Bag = cv.Find(id)
	}
	m.Gauge, m.Site = req.PostForm.Get("gauge"), req.PostForm.Get("site")
	for _, k := range cv.C.Catheters {
		m.CatheterPlaced = !k.Removed
	}
	if m.Bag == nil {
		return nil
	}
	if err := m.foresee(req, cv.ID); err != nil {
		return err
	}
	if slow, ok := cv.Slow(m.Bag); ok {
		m.MlPerH, m.Minutes, m.Volume, m.slowMlPerH = words.Whole(slow.MlPerH), words.Whole(slow.ToMin), words.Num(slow.VolumeMl), int32(slow.MlPerH+0.5)
		if slow.DropsPerMin > 0 {
			m.Drops = words.Whole(slow.DropsPerMin)
		}
	}
	return nil
}

// foresee tells what stands against the start before the press. Notes are left to the
// answer: the press itself attaches the set.
func (m *startMore) foresee(req *site.Request, id string) (err error) {
	m.Against, err = form.Foresee(req, "transfusion_started", &pb.TransfusionStarted{Bag: m.Bag.ID, Case: id})
	if err != nil {
		return refused(req, err)
	}
	m.Against = slices.DeleteFunc(m.Against, func(o form.Override) bool { return o.Note && o.Code != "no_baseline_vitals" })
	if !slices.ContainsFunc(m.Against, func(o form.Override) bool { return o.Asks }) {
		return nil
	}
	m.PIN, err = form.New(req, "transfusion_started")
	return err
}

// wantsReason marks what still asks for a reason.
func (m *startMore) wantsReason(req *site.Request) (wants bool) {
	for i, o := range m.Against {
		if o.Asks && strings.TrimSpace(o.Value) == "" {
			if !wants {
				req.Refuse("", "", words.Say("start.reason_first"))
			}
			m.Against[i].Missing, wants = true, true
			req.Refuse("override-"+o.Code, "", words.Say("form.reason_for", o.Text))
		}
	}
	return wants
}

// postStart writes what one press means: the set is in and plasma runs slowly.
func postStart(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*startMore)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", words.Say("bath.wanted"))
	}
	m.RequestID = req.PostForm.Get("request_id")
	if m.wantsReason(req) {
		return "", nil
	}
	if m.Gauge != "" || m.Site != "" {
		cath := &pb.CatheterPlaced{Case: p.Case.ID, Site: m.Site}
		f := form.SpecOf("catheter_placed").Message().Fields().ByName("gauge")
		err := (input.Field{Clock: form.Clock(req), Desc: f, Rule: event.RuleOf(f), Name: "gauge", Scale: 1}).Put(cath.ProtoReflect(), []string{m.Gauge})
		if err == nil {
			_, err = form.Write(req, "-c", "catheter_placed", cath)
		}
		if err != nil {
			return "", refused(req, err)
		}
	}
	if _, err := form.Write(req, "-s", "set_attached", &pb.SetAttached{Bag: m.Bag.ID, Case: p.Case.ID}); err != nil {
		return "", refused(req, err)
	}
	out, err := form.Write(req, "", "transfusion_started", &pb.TransfusionStarted{Bag: m.Bag.ID, Case: p.Case.ID})
	if err != nil {
		return "", refused(req, err)
	}
	if m.slowMlPerH > 0 {
		if _, err := form.Write(req, "-r", "rate_set", &pb.RateSet{Case: p.Case.ID, MlPerH: m.slowMlPerH, SlowStage: true}); err != nil {
			return "", refused(req, err)
		}
	}
	req.Saved(out)
	return "/case/" + p.Case.ID + "/run", nil
}

// refused puts a refusal at the top of the page; other errors are the page's.
func refused(req *site.Request, err error) error {
	text, plain := refusal.Plain(err)
	if plain {
		req.Refuse("", "", text)
		return nil
	}
	return err
}

// shareMore is the page on which twins share a bag on purpose.
type shareMore struct {
	Twin string // the other foal
	Bags []shareBag
}

type shareBag struct{ Number, Product, Batch, State, Given, Left string }

// prepareShare offers the bags that the twin has had of.
func prepareShare(req *site.Request, p *stepPage) error {
	m := &shareMore{}
	p.More = m
	other, err := p.Case.TwinOf(req)
	if err != nil || other == nil {
		p.Form = nil
		return err
	}
	m.Twin = other.Patient.Line
	in := p.Form.Input("bag")
	in.Kind, in.Label, in.Hint, in.Required = form.KindChoose, words.Say("share.bag"), "", true
	for _, b := range other.Bags {
		if b.T == nil || p.Case.C.Transfused(b.ID) != nil {
			continue
		}
		given := b.T.CountedMl()
		m.Bags = append(m.Bags, shareBag{b.Number, b.Product, b.Batch, words.Plain(b.State), words.Say("word.ml", given), words.Say("word.ml", max(0, b.VolumeMl-given))})
		in.Options = append(in.Options, site.Option{Value: b.ID, Label: b.Number})
	}
	if len(m.Bags) == 0 {
		p.Form = nil
		return nil
	}
	p.Form.Submit = words.Say("share.submit")
	p.Form.Amend = func(msg proto.Message) { msg.(*pb.TransfusionStarted).SharedWithTwin = true }
	return nil
}

// postShare writes one act: this foal's own new set, and the start that says that
// the bag is shared.
func postShare(req *site.Request, p *stepPage) (string, error) {
	if p.Form == nil {
		return "", site.ErrNotFound
	}
	if saved, err := p.Form.Post(); err != nil || saved == nil {
		return "", err
	}
	if _, err := form.Write(req, "-s", "set_attached", &pb.SetAttached{Bag: req.PostForm.Get("bag"), Case: p.Case.ID}); err != nil {
		return "", err
	}
	return "/case/" + p.Case.ID + "/run", nil
}
