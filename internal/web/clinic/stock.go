package clinic

import (
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"

	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// expiryMonths counts frozen stock by the month it expires in.
func expiryMonths(l *query.ReadView) (months []monthRow, err error) {
	n := map[string]int{}
	err = l.Bags(ledger.TermStock, func(bag *ledger.BagLine) error {
		if bag.Label != nil && len(bag.Label.Expiry) >= 7 {
			n[bag.Label.Expiry[:7]]++
		}
		return nil
	})
	for _, m := range slices.Sorted(maps.Keys(n)) {
		months = append(months, monthRow{m, n[m]})
	}
	return months, err
}

// expiryBars draws the months that come first.
func expiryBars(months []monthRow) site.BarChart {
	var groups []site.BarValues
	for _, m := range months[:min(site.MaxBars, len(months))] {
		groups = append(groups, site.BarValues{Name: m.Month, Values: []float64{float64(m.Bags)}})
	}
	return site.DrawBars(words.Say("chart.alt"), []string{words.Say("chart.bags")}, groups)
}

// stockMore is stock by place: a list by use-by.
type stockMore struct {
	Places []placeView
	Place  string
	All    bool // what is used up or gone, instead of what is in stock
	Fresh  string
	Next   string // the next part of it
}

// isGone says that a bag's state is a way of having left the stock.
func isGone(state string) bool {
	switch state {
	case ledger.EndGiven, ledger.EndDiscarded, ledger.EndReturned, ledger.EndLent, ledger.EndLentBack, ledger.EndKeptBack, ledger.EndMissing:
		return true
	}
	return false
}

type placeView struct {
	ID, Name, Kind, Temp, History string
	Bags                          []bagRow
	Kit                           []string
	More                          int    // bags behind these
	Rest                          string // where they are
}

// cut leaves as many bags of a place as a page shows, and says where the rest is.
func (p *placeView) cut(req *site.Request, place string) {
	if place == "" {
		p.Bags, p.More = cut(p.Bags, 0, placeRows)
		p.Rest = "/clinic/stock?" + url.Values{"place": {p.ID}}.Encode()
		return
	}
	q := req.URL.Query()
	from, _ := strconv.Atoi(q.Get("from")) // what is no number begins at the start
	p.Bags, p.More = cut(p.Bags, from, aloneRows)
	q.Set("from", strconv.Itoa(max(from, 0)+aloneRows))
	p.Rest = "/clinic/stock?" + q.Encode()
}

// ShowStock serves the stock by place.
func ShowStock(req *site.Request) error {
	q := req.URL.Query()
	m := &stockMore{Place: q.Get("place"), All: q.Get("all") != ""}
	ask := &pb.ListStockRequest{Place: m.Place, All: m.All, Limit: site.PageRows}
	if m.All {
		ask.After = req.After()
	}
	stock, err := req.Site.Stock.ListStock(req.Context(), ask)
	if err != nil {
		return err
	}
	m.Fresh, m.Next = stock.GetFreshness().GetText(), req.NextPart(stock.Next)
	shown := slices.DeleteFunc(stock.Bags, func(b *pb.BagRow) bool { return isGone(b.State) != m.All })
	places, err := req.Site.Stock.ListPlaces(req.Context(), &pb.ListPlacesRequest{})
	if err != nil {
		return err
	}
	beside, err := req.Beside()
	if err != nil {
		return err
	}
	for _, pl := range places.Places {
		if m.Place != "" && pl.Place != m.Place {
			continue
		}
		view := placeOf(pl, shown, stock.Kit, beside)
		if m.All && len(view.Bags) == 0 {
			continue
		}
		if !m.All {
			view.cut(req, m.Place)
		}
		m.Places = append(m.Places, view)
	}
	loose := bagRows(slices.DeleteFunc(shown, func(b *pb.BagRow) bool {
		return slices.ContainsFunc(m.Places, func(p placeView) bool { return p.ID == b.PlaceId })
	}))
	if len(loose) > 0 {
		m.Places = append(m.Places, placeView{Name: words.Say("stock.nowhere"), Bags: loose})
	}
	return req.Render("stock", words.Say("stock.title"), "clinic", m)
}

// placeOf is a place with what is in it.
func placeOf(pl *pb.PlaceRow, bags []*pb.BagRow, kit []*pb.KitRow, beside query.Beside) placeView {
	view := placeView{ID: pl.Place, Name: pl.Name, Kind: words.Choice("PlaceKind", pl.Kind), History: pl.History}
	if pl.NowC != nil {
		view.Temp = words.Say("stock.reading", beside.Celsius(int32(math.Round(*pl.NowC*10))), words.Moment(words.ParseTime(pl.LastReadingAt)))
	}
	for _, b := range bags {
		if b.PlaceId == pl.Place {
			view.Bags = append(view.Bags, bagRowOf(b))
		}
	}
	for _, k := range kit {
		if k.Place == pl.Name {
			view.Kit = append(view.Kit, words.Choice("KitItem", k.Item)+" "+fmt.Sprint(k.Count))
		}
	}
	return view
}

// ShowBag serves what happened to one bag.
func ShowBag(req *site.Request) error {
	out, err := req.Site.Stock.GetBag(req.Context(), &pb.GetBagRequest{Bag: req.PathValue("bag")})
	if err != nil {
		return err
	}
	b := out.Bag
	m := map[string]any{
		"Bag": bagRowOf(b), "Story": site.StoryOf(out.Timeline), "Doubts": site.DoubtRows(out.Discrepancies),
		"Fresh": out.GetFreshness().GetText(), "Because": b.Because, "Donor": out.Donor,
		"Acts": actsOf(out),
	}
	return req.Render("bag", words.Say("bag.title", words.BagNumber(b.Bag)), "clinic", m)
}
