package barn

import (
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

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
