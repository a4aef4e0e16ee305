package clinic

import (
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// ShowBag serves what happened to one bag.
func ShowBag(req *site.Request) error {
	out, err := req.Site.Stock.GetBag(req.Context(), &pb.GetBagRequest{Bag: req.PathValue("bag")})
	if err != nil {
		return err
	}
	b := out.Bag
	m := map[string]any{
		"Bag": bagRowOf(b), "Story": site.StoryRows(out.Timeline), "Doubts": site.DoubtRows(out.Discrepancies),
		"Fresh": out.GetFreshness().GetText(), "Because": b.Because,
	}
	return req.Render("bag", words.Say("bag.title", words.BagNumber(b.Bag)), "clinic", m)
}
