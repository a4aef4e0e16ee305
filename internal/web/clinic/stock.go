package clinic

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/engine"
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

// stockMore is stock by place, what is alike in one row: or what has left the stock.
type stockMore struct {
	Total   string
	Places  []placeView
	Gone    []goneView
	Place   string
	Find    string
	Asked   bool // something is sought or sorted
	All     bool // what is used up or gone, instead of what is in stock
	Sorts   []site.Option
	Nothing string
	Fresh   string
	Next    string // the next part of it
}

// stockSorts are the ways to sort the rows of a place, as requests name them.
var stockSorts = []string{"use_by", "product", "batch", "bags", "volume"}

// ShowStock serves the stock by place.
func ShowStock(req *site.Request) error {
	q := req.URL.Query()
	m := &stockMore{Place: q.Get("place"), All: q.Get("all") != "", Find: strings.TrimSpace(q.Get("q"))}
	ask := &pb.ListStockRequest{Place: m.Place, All: m.All, Find: m.Find, Limit: site.PageRows, Grouped: !m.All}
	if slices.Contains(stockSorts, q.Get("sort")) {
		ask.Sort = q.Get("sort")
	}
	for i, name := range words.List("stock.sorts") {
		m.Sorts = append(m.Sorts, site.Option{Value: stockSorts[i], Label: name, Checked: stockSorts[i] == ask.Sort})
	}
	m.Asked = m.Find != "" || ask.Sort != ""
	if m.All {
		ask.After = req.After()
	}
	stock, err := req.Site.Stock.ListStock(req.Context(), ask)
	if err != nil {
		return err
	}
	m.Fresh, m.Next, m.Nothing = stock.GetFreshness().GetText(), req.NextPart(stock.Next), words.Say("word.none")
	if m.Find != "" {
		m.Nothing = words.Say("stock.not_found", m.Find)
	}
	if m.All {
		m.Gone, err = goneViews(req, stock.Bags)
	} else {
		err = m.byPlace(req, stock)
	}
	if err != nil {
		return err
	}
	return req.Render("stock", words.Say("stock.title"), "clinic", m)
}

// placeView is a place with what is in it.
type placeView struct {
	ID, Name, Kind, Temp, History, Total string
	Groups                               []groupView
	Kit                                  []string
	More                                 int    // rows behind these
	Rest                                 string // where they are
}

// byPlace puts the groups of an answer under their places. A search shows only the places
// where something was found.
func (m *stockMore) byPlace(req *site.Request, stock *pb.ListStockResponse) error {
	places, err := req.Site.Stock.ListPlaces(req.Context(), &pb.ListPlacesRequest{})
	if err != nil {
		return err
	}
	beside, err := req.Beside()
	if err != nil {
		return err
	}
	m.Total = totalOf(stock.Sums)
	known := map[string]bool{"": true}
	for _, pl := range places.Places {
		known[pl.Place] = true
		if m.Place != "" && pl.Place != m.Place {
			continue
		}
		view := placeOf(pl, beside)
		view.fill(req, m, stock, func(id string) bool { return id == pl.Place })
		if m.Find == "" || len(view.Groups) > 0 {
			m.Places = append(m.Places, view)
		}
	}
	loose := placeView{Name: words.Say("stock.nowhere")}
	loose.fill(req, m, stock, func(id string) bool { return id == "" || !known[id] })
	if len(loose.Groups) > 0 {
		m.Places = append(m.Places, loose)
	}
	return nil
}

// placeOf is a place without what is in it.
func placeOf(pl *pb.PlaceRow, beside query.Beside) placeView {
	view := placeView{ID: pl.Place, Name: pl.Name, Kind: words.Choice("PlaceKind", pl.Kind), History: pl.History}
	if pl.NowC != nil {
		view.Temp = words.Say("stock.reading", beside.Celsius(int32(math.Round(*pl.NowC*10))), words.Moment(words.ParseTime(pl.LastReadingAt)))
	}
	return view
}

// fill puts the groups and the kit of a place into its view, as many as a page shows.
func (p *placeView) fill(req *site.Request, m *stockMore, stock *pb.ListStockResponse, here func(place string) bool) {
	numbers, rows := numbersAmong, placeRows
	if m.Place != "" {
		numbers, rows = numbersAlone, aloneRows
	}
	for _, g := range stock.Groups {
		if here(g.PlaceId) {
			p.Groups = append(p.Groups, groupOf(g, numbers))
		}
	}
	p.Total = totalOf(slices.DeleteFunc(slices.Clone(stock.Sums), func(s *pb.StockSum) bool { return !here(s.PlaceId) }))
	for _, k := range stock.Kit {
		if p.ID != "" && k.Place == p.Name {
			p.Kit = append(p.Kit, words.Choice("KitItem", k.Item)+" "+fmt.Sprint(k.Count))
		}
	}
	q, from := req.URL.Query(), 0
	if m.Place != "" {
		from, _ = strconv.Atoi(q.Get("from")) // what is no number begins at the start
		q.Set("from", strconv.Itoa(max(from, 0)+rows))
	} else {
		q.Set("place", p.ID)
	}
	p.Groups, p.More = cut(p.Groups, from, rows)
	p.Rest = "/clinic/stock?" + q.Encode()
}

// totalOf says how many bags there are, how much is in them and in what states they are.
func totalOf(sums []*pb.StockSum) string {
	var bags, ml int32
	states := map[string]int32{}
	for _, s := range sums {
		bags, ml = bags+s.Count, ml+s.TotalMl
		states[s.State] += s.Count
	}
	if bags == 0 {
		return ""
	}
	var parts []string
	for _, state := range slices.SortedFunc(maps.Keys(states), func(x, y string) int {
		return cmp.Or(cmp.Compare(states[y], states[x]), cmp.Compare(x, y))
	}) {
		parts = append(parts, fmt.Sprint(states[state])+" "+words.Told(words.Plain(state)))
	}
	return words.Say("stock.total", bags, ml, strings.Join(parts, ", "))
}

// Numbers of a group that stand in sight, and that a page of all places, or of one, has
// behind their fold.
const (
	numbersInSight = 4
	numbersAmong   = 50
	numbersAlone   = 500
)

// groupView is one row: bags that are alike.
type groupView struct {
	Product, Batch, Href, Count, UseBy, Each, Total, State, Because string
	Bad                                                             bool
	Numbers                                                         []site.Pair
	Folded                                                          string // the words of the fold, when they are many
	More                                                            int    // numbers that the page of the batch shows
}

func groupOf(g *pb.StockGroup, most int) groupView {
	row := bagRowOf(&pb.BagRow{State: g.State, States: g.States, Because: g.Because, UseBy: g.UseBy})
	view := groupView{
		Product: g.Product, Batch: g.Batch, Href: "/clinic/batch?" + url.Values{"product": {g.Product}, "batch": {g.Batch}}.Encode(),
		Count: fmt.Sprint(g.Count), UseBy: row.UseBy, Each: words.Say("word.ml", g.EachMl), Total: words.Say("word.ml", g.TotalMl), State: row.State, Bad: row.Bad,
	}
	if slices.Contains(g.States, string(engine.ShelfFrozen)) {
		view.UseBy = g.Expiry // as it is printed; the clock of a thawed bag has a time
	}
	if g.State != string(engine.ShelfFrozen) {
		view.Because = row.Because
	}
	for _, id := range g.Bags[:min(len(g.Bags), most)] {
		view.Numbers = append(view.Numbers, site.Pair{Name: "/bag/" + id, Value: words.BagNumber(id)})
	}
	if view.More = len(g.Bags) - len(view.Numbers); len(g.Bags) > numbersInSight {
		view.Folded = words.Say("stock.numbers", len(g.Bags))
	}
	return view
}

// goneView is what has left the stock in one way.
type goneView struct {
	Title, To string
	Bags      []goneRow
}

type goneRow struct {
	bagRow
	Left, To string
	Cases    []site.Pair
}

// goneWays are the ways of leaving the stock, what people ask about first: each with its
// heading, and what is told beside the bag.
func goneWays() []struct{ state, title, to string } {
	return []struct{ state, title, to string }{
		{ledger.EndLent, words.Say("gone.lent"), words.Say("gone.lent_to")},
		{ledger.EndKeptBack, words.Say("gone.kept_back"), words.Say("gone.kept_back_to")},
		{ledger.EndMissing, words.Say("gone.missing"), words.Say("gone.why")},
		{ledger.EndGiven, words.Say("gone.given"), words.Say("gone.given_to")},
		{ledger.EndDiscarded, words.Say("gone.discarded"), words.Say("gone.why")},
		{ledger.EndReturned, words.Say("gone.returned"), words.Say("gone.why")},
		{ledger.EndLentBack, words.Say("gone.lent_back"), words.Say("gone.lent_to")},
	}
}

// goneViews sorts bags that have left the stock by how they did.
func goneViews(req *site.Request, bags []*pb.BagRow) (out []goneView, err error) {
	err = req.Read(func(l *query.ReadView) error {
		for _, way := range goneWays() {
			view := goneView{Title: way.title, To: way.to}
			for _, b := range bags {
				if b.State != way.state {
					continue
				}
				row, err := goneRowOf(l, b)
				if err != nil {
					return err
				}
				view.Bags = append(view.Bags, row)
			}
			if len(view.Bags) > 0 {
				out = append(out, view)
			}
		}
		return nil
	})
	return out, err
}

// goneRowOf words a bag that has left the stock, with the patients that had it.
func goneRowOf(l *query.ReadView, b *pb.BagRow) (row goneRow, err error) {
	row = goneRow{bagRow: bagRowOf(b), To: b.LeftTo}
	if b.LeftAt != "" {
		row.Left = words.Moment(words.ParseTime(b.LeftAt))
	}
	for _, id := range b.LeftCases {
		c, err := l.Case(id)
		if err != nil {
			return row, err
		}
		name := words.Say("word.unknown")
		if c != nil {
			name = l.Patient(c)
		}
		row.Cases = append(row.Cases, site.Pair{Name: "/case/" + id + "/sheet", Value: name})
	}
	return row, nil
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
