package page

import pb "thawtrail/proto/thawtrail/v1"

// showBag serves what happened to one bag.
func showBag(req *Request) error {
	out, err := req.Site.Stock.GetBag(req.Context(), &pb.GetBagRequest{Bag: req.PathValue("bag")})
	if err != nil {
		return err
	}
	b := out.Bag
	m := map[string]any{
		"Bag": bagRows([]*pb.BagRow{b})[0], "Story": storyRows(out.Timeline), "Doubts": doubtRows(out.Discrepancies),
		"Fresh": out.GetFreshness().GetText(), "Because": b.Because,
	}
	return req.render("bag", say("bag.title", bagText(b.Bag)), "clinic", m)
}
