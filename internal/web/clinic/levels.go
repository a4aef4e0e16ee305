package clinic

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// levelsMore is how many bags to hold, what to order and what to carry.
type levelsMore struct {
	Facts    []levelFact
	Orders   []levelAct
	Open     []openOrder
	Moves    []levelAct
	Refill   int32
	Places   []placeLevel
	Demand   site.BandChart
	Weeks    []demandWeek
	Mares    []mareRow
	Costs    []costRow
	CostText [2]any
	Rests    levelBasis
	Ask      []site.Pair // fields of the question: label and value; and their names
	Names    []string
	Cautions []*pb.Caution
	Steps    []string
	Sources  []string
	Fresh    string
}

type levelFact struct{ Name, Value, Note string }

// levelAct is a suggestion and the form that makes a record of it.
type levelAct struct {
	Text template.HTML
	Href string
}

type openOrder struct {
	Text               string
	Arrived, Cancelled string
}

type placeLevel struct{ Place, Href, Has, Hold, KitHas, KitHold, Without, Unused, Share string }

type demandWeek struct{ From, Foals, Bags, Band, Expiring, Unused, Mares string }

type mareRow struct{ Name, Due, Whose, Place, Because, Case, Tell string }

type costRow struct {
	Bags, Short, Unused, Cost string
	Held                      bool
}

// levelBasis is what the figures rest on, each with the cases behind it.
type levelBasis struct {
	Failure, FailureCases, Use, Other string
	Under, OtherCases                 []site.Pair
	Lead, Shelf                       int32
}

const (
	levelsPath = "/clinic/levels"
	// weekMares is how many mares are named beside a week.
	weekMares = 4
)

// levelNumbers are the numbers that may be asked for instead of the settings.
var levelNumbers = []string{"weeks", "lead_weeks", "shelf_weeks", "shortage_bags"}

// ShowLevels serves how many bags to hold.
func ShowLevels(req *site.Request) error {
	ask, bad := askedLevels(req.URL.Query())
	if bad != "" {
		req.Fail(http.StatusNotFound, words.Say("levels.bad_number", bad))
		return nil
	}
	out, err := req.Site.Stock.ListLevels(req.Context(), ask)
	if err != nil {
		return err
	}
	return req.Render("levels", words.Say("levels.title"), "clinic", levelsOf(out, req.URL.Query()))
}

// askedLevels reads the question, and which text of it is no number.
func askedLevels(q url.Values) (ask *pb.ListLevelsRequest, bad string) {
	ask = &pb.ListLevelsRequest{Product: strings.TrimSpace(q.Get("product"))}
	for i, to := range []*int32{&ask.Weeks, &ask.LeadWeeks, &ask.ShelfWeeks, &ask.ShortageBags} {
		text := strings.TrimSpace(q.Get(levelNumbers[i]))
		if text == "" {
			continue
		}
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil || n < 0 {
			return nil, text
		}
		*to = int32(n)
	}
	return ask, ""
}

func levelsOf(out *pb.ListLevelsResponse, q url.Values) *levelsMore {
	m := &levelsMore{
		Refill: out.RefillDays, Cautions: out.Cautions, Steps: out.Steps, Sources: out.Sources, Fresh: out.GetFreshness().GetText(),
		CostText: [2]any{out.ShortageBags, percentOf(out.Service)},
	}
	m.Facts = []levelFact{
		{words.Say("levels.hold"), fmt.Sprint(out.Hold), words.Say("levels.hold_note", out.LeadWeeks)},
		{words.Say("levels.here"), fmt.Sprint(out.Has), words.Say("levels.here_note")},
		{words.Say("levels.ordered"), fmt.Sprint(out.Ordered), ""},
		{words.Say("levels.unused"), words.Tenth(out.ExpectedWriteOff), words.Say("levels.unused_note", max(out.ShelfWeeks, int32(len(out.Weeks))))},
	}
	m.acts(out)
	m.places(out.Places)
	m.demand(out.Weeks)
	for _, mare := range out.Mares {
		m.Mares = append(m.Mares, mareRowOf(mare))
	}
	for _, l := range out.Levels {
		m.Costs = append(m.Costs, costRow{fmt.Sprint(l.Bags), mean(l.ExpectedShortage), mean(l.ExpectedWriteOff), mean(l.CostBags), l.Bags == out.Hold})
	}
	m.Rests = basisOf(out)
	m.Names = append([]string{"product"}, levelNumbers...)
	for i, label := range []string{"levels.product", "levels.weeks", "levels.lead", "levels.shelf", "levels.short"} {
		m.Ask = append(m.Ask, site.Pair{Name: words.Say(label), Value: q.Get(m.Names[i])})
	}
	return m
}

// acts are the suggestions, each with the form that makes a record of it once a person
// has done it.
func (m *levelsMore) acts(out *pb.ListLevelsResponse) {
	form := func(event string, q url.Values) string {
		q.Set("back", levelsPath)
		return "/write/" + event + "?" + q.Encode()
	}
	for _, o := range out.Order {
		m.Orders = append(m.Orders, levelAct{
			words.HTML("levels.order_line", o.Bags, o.Product, o.OrderBy, out.Hold, out.Has, out.Ordered),
			form("bags_ordered", url.Values{"product": {o.Product}, "count": {fmt.Sprint(o.Bags)}}),
		})
	}
	for _, o := range out.Orders {
		row := openOrder{Arrived: form("bags_ordered", url.Values{"order": {o.Order}, "ended": {"arrived"}}), Cancelled: form("bags_ordered", url.Values{"order": {o.Order}, "ended": {"cancelled"}})}
		from, expected := "", ""
		if o.Supplier != "" {
			from = words.Say("levels.from", o.Supplier)
		}
		if o.ExpectedOn != "" {
			expected = words.Say("levels.expected", o.ExpectedOn)
		}
		row.Text = words.Say("levels.open_line", o.Bags, o.Product, from, words.Moment(words.ParseTime(o.PlacedAt)), expected)
		m.Open = append(m.Open, row)
	}
	for _, c := range out.Moves {
		var numbers []string
		for _, bag := range c.Bags {
			numbers = append(numbers, words.BagNumber(bag))
		}
		m.Moves = append(m.Moves, levelAct{
			words.HTML("levels.carry_line", len(c.Bags), c.From, c.To, strings.Join(numbers, ", ")),
			form("bags_moved", url.Values{"bags": c.Bags, "to_place": {c.ToId}}),
		})
	}
}

func (m *levelsMore) places(places []*pb.PlaceLevel) {
	for _, p := range places {
		row := placeLevel{
			Place: p.Place, Href: "/clinic/stock?" + url.Values{"place": {p.PlaceId}}.Encode(), Has: fmt.Sprint(p.Has), Hold: fmt.Sprint(p.Hold), KitHas: fmt.Sprint(p.KitHas),
			Unused: mean(p.ExpectedWriteOff),
		}
		if !p.Store {
			row.KitHold, row.Without = fmt.Sprint(p.KitHold), mean(p.ExpectedShortage)
			row.Share = words.Say("levels.share", percentOf(p.Share), p.BagsUsed)
		}
		m.Places = append(m.Places, row)
	}
}

func (m *levelsMore) demand(weeks []*pb.DemandWeek) {
	var bands []site.BandValues
	for _, w := range weeks {
		band := words.Say("levels.band", w.BagsLow, w.BagsHigh)
		m.Weeks = append(m.Weeks, demandWeek{
			From: w.From, Foals: mean(w.FoalsExpected), Bags: mean(w.BagsExpected), Band: band,
			Expiring: fmt.Sprint(w.BagsExpiring), Unused: mean(w.ExpectedWriteOff), Mares: mayFoal(w.Mares),
		})
		bands = append(bands, site.BandValues{Name: w.From, Text: band, Low: float64(w.BagsLow), Mean: w.BagsExpected, High: float64(w.BagsHigh)})
	}
	m.Demand = site.DrawBands(words.Say("levels.demand_alt"), words.List("levels.demand_names"), bands[:min(len(bands), site.MaxBars)])
}

// mayFoal names the likeliest mares of a week.
func mayFoal(mares []*pb.MareChance) string {
	var names []string
	for _, mare := range mares[:min(len(mares), weekMares)] {
		names = append(names, words.Say("levels.chance", mare.Name, words.Whole(100*mare.Chance)))
	}
	if more := len(mares) - len(names); more > 0 {
		names = append(names, words.Say("levels.more_mares", more))
	}
	return strings.Join(names, ", ")
}

func mareRowOf(mare *pb.AwaitedMare) mareRow {
	q := url.Values{"name": {mare.Name}, "back": {levelsPath}}
	for field, text := range map[string]string{"chip": mare.Chip, "ueln": mare.Ueln, "client": mare.Client} {
		if text != "" {
			q.Set(field, text)
		}
	}
	row := mareRow{
		Name: mare.Name, Due: words.Say("levels.spread", mare.DueOn, words.Num(mare.SpreadDays)), Whose: wording.Joined(", ", mare.Client, mare.Yard),
		Place: mare.Place, Because: mare.Because, Tell: "/write/mare_due?" + q.Encode(),
	}
	if mare.Case != "" {
		row.Case = "/case/" + mare.Case + "/sheet"
	}
	return row
}

func basisOf(out *pb.ListLevelsResponse) levelBasis {
	f, u := out.Failure, out.Use
	b := levelBasis{Lead: out.LeadWeeks, Shelf: out.ShelfWeeks, Under: caseLinks(f.CasesUnder), OtherCases: caseLinks(u.OtherCases)}
	b.Failure = words.Say("levels.failure", percentOf(f.Mid), percentOf(f.Low), percentOf(f.High), f.UnderGPerL, f.Under, f.Tested, words.Tenth(f.PrintWeight))
	b.FailureCases = words.Say("levels.failure_cases", f.UnderGPerL)
	var took []string
	for bags, foals := range u.FoalsByBags {
		if foals > 0 {
			took = append(took, words.Say("levels.use_bags", foals, bags))
		}
	}
	if len(took) == 0 {
		took = []string{words.Say("levels.use_nobody")}
	}
	b.Use = words.Say("levels.use", u.Weeks, u.Foals, strings.Join(took, ", "))
	other := "levels.other"
	if u.AllPatients {
		other = "levels.other_all"
	}
	b.Other = words.Say(other, u.OtherPatients, u.OtherBags, mean(u.OtherBagsAWeek))
	return b
}

// maxCaseLinks is how many cases open from one figure; the command lists all.
const maxCaseLinks = 40

func caseLinks(ids []string) (out []site.Pair) {
	for _, id := range slices.Compact(slices.Clone(ids[:min(len(ids), maxCaseLinks)])) {
		out = append(out, site.Pair{Name: "/case/" + id + "/sheet", Value: id[:min(len(id), 6)]})
	}
	return out
}

// percentOf and mean are as exact as what they rest on: not very.
func percentOf(share float64) string { return words.Tenth(100*share) + "\u00a0%" }

func mean(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }
