package page

import (
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// shareMore is the page on which twins share a bag on purpose.
type shareMore struct {
	Twin string // the other foal
	Bags []shareBag
}

type shareBag struct{ Number, Product, Batch, State, Given, Left string }

// prepareShare offers the bags that the twin has had of.
func prepareShare(req *Request, p *stepPage) error {
	m := &shareMore{}
	p.More = m
	other, err := p.Case.twinOf(req)
	if err != nil || other == nil {
		p.Form = nil
		return err
	}
	m.Twin = other.Patient.Line
	in := p.Form.input("bag")
	in.Kind, in.Label, in.Hint, in.Required = kindChoose, say("share.bag"), "", true
	for _, b := range other.Bags {
		if b.T == nil || p.Case.C.Transfused(b.ID) != nil {
			continue
		}
		given := b.T.CountedMl()
		m.Bags = append(m.Bags, shareBag{b.Number, b.Product, b.Batch, plain(b.State), say("word.ml", given), say("word.ml", max(0, b.VolumeMl-given))})
		in.Options = append(in.Options, Option{Value: b.ID, Label: b.Number})
	}
	if len(m.Bags) == 0 {
		p.Form = nil
		return nil
	}
	p.Form.Submit = say("share.submit")
	p.Form.amend = func(msg proto.Message) { msg.(*pb.TransfusionStarted).SharedWithTwin = true }
	return nil
}

// postShare writes one act: this foal's own new set, and the start that says that
// the bag is shared.
func postShare(req *Request, p *stepPage) (string, error) {
	if p.Form == nil {
		return "", ErrNotFound
	}
	out, ok, err := p.Form.post()
	if err != nil || !ok {
		return "", err
	}
	if _, err := req.writeOne("-s", "set_attached", &pb.SetAttached{Bag: req.PostForm.Get("bag"), Case: p.Case.ID}); err != nil {
		return "", err
	}
	req.saved(out)
	return "/case/" + p.Case.ID + "/run", nil
}
