package barn

import (
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// tornMore is the way with a bag whose label cannot be read.
type tornMore struct {
	Bag *caseview.Bag
}

func prepareTorn(req *site.Request, p *stepPage) error {
	m := &tornMore{Bag: p.Case.Waiting()}
	p.More = m
	if id := req.URL.Query().Get("bag"); id != "" {
		m.Bag = p.Case.Find(id)
	}
	if m.Bag == nil {
		p.Form = nil
		return nil
	}
	p.Form.Want("bag", "bag_again").Submit = words.Say("torn.submit")
	p.Form.Input("bag").Expect = m.Bag.Number
	p.Form.Input("bag_again").Expect = m.Bag.Number
	return nil
}

// postTorn confirms what the books say by both looks, or sets the bag aside.
func postTorn(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*tornMore)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", words.Say("bath.wanted"))
	}
	if req.PostForm.Get("do") == "aside" {
		p.Form.Set("bag", m.Bag.ID).Set("bag_again", m.Bag.ID)
		p.Form.Amend = func(msg proto.Message) { msg.(*pb.LabelUnreadable).SetAside = true }
		return p.Form.PostTo("/case/" + p.Case.ID + "/dose")
	}
	if err := p.Form.Fill(p.Form.Spec.New().ProtoReflect()); err != nil {
		return "", err
	}
	if samePhysicalBag(p, m.Bag); p.Form.Refused() {
		return "", nil
	}
	return p.Form.PostTo("/case/" + p.Case.ID + "/bath")
}
