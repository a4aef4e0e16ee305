package clinic

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"strings"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// freezerMore is a place day by day.
type freezerMore struct {
	ID, Last, Next, Limit, Own, Every   string
	Overdue                             bool
	Missed                              int32
	Limits                              []string
	Warm                                []warmView
	Weeks                               [][]dayView
	Readings                            []readingView
	Chart, File, Correct, Before, After string
	Read                                string
	Fresh                               string
}

// warmView is a stretch that was too warm, with the way to set its bags aside.
type warmView struct {
	Text, Over, Within, Unlabelled, Aside string
	Bags                                  int32
	Lay                                   []site.Pair // each of those bags, and why it is among them
}

// dayView is a cell of the grid; without a day it fills the week up.
type dayView struct {
	Day, Month, Least, Most, State, Words string
}

type readingView struct{ At, Now, Least, Most, Beyond, Who, Href string }

// placeMonth is a place in a month of the practice's calendar.
type placeMonth struct {
	*pb.GetPlaceResponse
	month time.Time
	zone  *time.Location
}

// askedPlace asks for a place in the month that the address names; the present one when it
// names none.
func askedPlace(req *site.Request) (p placeMonth, err error) {
	if err := req.Read(func(l *query.ReadView) error { p.zone = l.Zone(); return nil }); err != nil {
		return p, err
	}
	q := req.URL.Query()
	text := cmp.Or(req.PathValue("month"), q.Get("month"), req.Now.In(p.zone).Format("2006-01"))
	if p.month, err = time.Parse("2006-01", text); err != nil {
		return p, site.ErrNotFound
	}
	p.GetPlaceResponse, err = req.Site.Stock.GetPlace(req.Context(), &pb.GetPlaceRequest{Place: cmp.Or(req.PathValue("place"), q.Get("place")), From: text, To: text})
	return p, err
}

// page is the address of the place some months later.
func (p placeMonth) page(months int) string {
	return "/clinic/freezer?" + url.Values{"place": {p.Place}, "month": {p.month.AddDate(0, months, 0).Format("2006-01")}}.Encode()
}

// ShowFreezer serves a place day by day.
func ShowFreezer(req *site.Request) error {
	out, err := askedPlace(req)
	if err != nil {
		return err
	}
	beside, err := req.Beside()
	if err != nil {
		return err
	}
	c, month := celsius{beside}, out.month.Format("2006-01")
	m := &freezerMore{
		ID: out.Place, Overdue: out.Overdue, Missed: out.Missed, Limit: c.of(out.WarmestC), Own: c.own(out.GetPlaceResponse), Limits: c.limits(out.Limits),
		Last: moments(out.LastReadingAt), Next: moments(out.NextReadingAt), Weeks: c.weeks(out.Days), Fresh: out.GetFreshness().GetText(),
		Read: "/write/temperature_read?" + url.Values{"place": {out.Place}, "back": {out.page(0)}}.Encode(), Correct: "/correct/" + out.Record,
		File: "/clinic/freezer/file?" + url.Values{"place": {out.Place}, "month": {month}}.Encode(), Before: out.page(-1),
	}
	if out.ReadEveryH > 0 {
		m.Every = words.Say("freezer.every", out.ReadEveryH)
	}
	if len(out.Readings) > 1 {
		m.Chart = "/clinic/freezer/" + url.PathEscape(out.Place) + "/" + month + "/chart.svg"
	}
	if month < req.Now.In(out.zone).Format("2006-01") {
		m.After = out.page(1)
	}
	for _, w := range out.Warm {
		m.Warm = append(m.Warm, c.warm(out.Place, w, out.page(0)))
	}
	for _, r := range out.Readings {
		m.Readings = append(m.Readings, readingView{
			At: moments(r.At), Now: c.of(&r.NowC), Least: c.of(r.LeastC), Most: c.of(r.MostC), Beyond: beyondWords(r.Beyond), Who: r.Who, Href: "/record/" + r.Record,
		})
	}
	return req.Render("freezer", words.Say("freezer.title", out.Name, month), "clinic", m)
}

// moments words an instant; empty for none.
func moments(rfc3339 string) string {
	if rfc3339 == "" {
		return ""
	}
	return words.Moment(words.ParseTime(rfc3339))
}

// celsius shows degrees, with the practice's other unit beside them.
type celsius struct{ beside query.Beside }

func (c celsius) of(degrees *float64) string {
	if degrees == nil {
		return ""
	}
	return c.beside.Celsius(tenths(*degrees))
}

func tenths(degrees float64) int32 { return int32(math.Round(degrees * 10)) }

// own is what the practice itself asks of the place.
func (c celsius) own(out *pb.GetPlaceResponse) string {
	var parts []string
	if out.OwnWarmestC != nil {
		parts = append(parts, words.Say("freezer.own_warmest", c.of(out.OwnWarmestC)))
	}
	if out.OwnColdestC != nil {
		parts = append(parts, words.Say("freezer.own_coldest", c.of(out.OwnColdestC)))
	}
	return strings.Join(parts, "; ")
}

// limits words how warm labels let bags be.
func (c celsius) limits(in []*pb.LabelLimit) (out []string) {
	for _, l := range in {
		if l.WarmestC == nil {
			out = append(out, words.Say("freezer.no_limit", l.Product, l.Bags))
			continue
		}
		out = append(out, words.Say("freezer.limit", l.Product, l.Bags, c.of(l.WarmestC)))
	}
	return out
}

// warm words a stretch that was too warm; its press opens the form with all of it typed,
// for a person to check and save.
func (c celsius) warm(place string, w *pb.WarmTime, back string) warmView {
	span := words.Say("freezer.warm_until", moments(w.From), moments(w.To))
	if w.To == "" {
		span = words.Say("freezer.warm_still", moments(w.From))
	}
	view := warmView{Text: words.Say("freezer.warm", c.of(&w.MostC), span, hours(w.AtMostMin)), Bags: w.Bags}
	if w.BeganUnread {
		view.Text += " " + words.Say("freezer.warm_earlier")
	}
	view.Over, view.Within, view.Unlabelled = strings.Join(c.limits(w.Over), "; "), strings.Join(c.limits(w.Within), "; "), strings.Join(c.limits(w.Unlabelled), "; ")
	q := url.Values{"place": {place}, "from": {typed(w.From)}, "most_dc": {words.Tenths(tenths(w.MostC))}, "back": {back}}
	if w.To != "" {
		q.Set("to", typed(w.To))
	}
	view.Aside = "/write/place_warm?" + q.Encode()
	for _, b := range w.Lay {
		view.Lay = append(view.Lay, site.Pair{Name: "/bag/" + b.Bag, Value: layWords(b)})
	}
	return view
}

// layWords says why a bag is among those of a warm time.
func layWords(b *pb.WarmBag) string {
	bag := words.Say("freezer.bag", words.BagNumber(b.Bag), b.Product, b.Batch)
	switch {
	case b.Came != "" && b.Left != "":
		return words.Say("freezer.lay_part", bag, moments(b.Came), moments(b.Left))
	case b.Came != "":
		return words.Say("freezer.lay_from", bag, moments(b.Came))
	case b.Left != "":
		return words.Say("freezer.lay_to", bag, moments(b.Left))
	}
	return words.Say("freezer.lay", bag)
}

// hours is a stretch of minutes: in days where it is long.
func hours(minutes int32) string {
	switch {
	case minutes < 120:
		return words.Say("freezer.minutes", minutes)
	case minutes < 72*60:
		return words.Say("freezer.hours", (minutes+59)/60)
	}
	return words.Say("freezer.days", (minutes+24*60-1)/(24*60))
}

// typed is an instant as a form takes it.
func typed(rfc3339 string) string { return words.ParseTime(rfc3339).Format("2006-01-02 15:04") }

// beyondWords says how a reading is outside the limits.
func beyondWords(code string) string {
	switch code {
	case "warm":
		return words.Say("freezer.too_warm")
	case "cold":
		return words.Say("freezer.too_cold")
	}
	return ""
}

// dayWords says what a day was like.
func dayWords(state string) string {
	switch state {
	case "none":
		return words.Say("freezer.none")
	case "missed":
		return words.Say("freezer.missed")
	case "warm":
		return words.Say("freezer.warm_day")
	case "cold":
		return words.Say("freezer.cold_day")
	}
	return ""
}

// weeks puts days into weeks from Monday on.
func (c celsius) weeks(days []*pb.PlaceDay) (out [][]dayView) {
	var week []dayView
	for i, d := range days {
		day, err := time.Parse(time.DateOnly, d.Day)
		if err != nil {
			continue
		}
		before := (int(day.Weekday()) + 6) % 7
		if i == 0 {
			week = make([]dayView, before)
		}
		view := dayView{Day: fmt.Sprint(day.Day()), State: d.State, Words: dayWords(d.State)}
		if d.LeastC != nil {
			view.Least, view.Most = words.Tenths(tenths(*d.LeastC)), words.Tenths(tenths(*d.MostC))
		}
		if week = append(week, view); before == 6 || i == len(days)-1 {
			out, week = append(out, append(week, make([]dayView, 6-before)...)), nil
		}
	}
	return out
}

// FreezerChart draws a place's readings over a month.
func FreezerChart(req *site.Request) error {
	out, err := askedPlace(req)
	if err != nil {
		return err
	}
	req.SendPicture(site.ReadingsOverTime(out.GetPlaceResponse, out.zone).Draw(req.ChartLook()))
	return nil
}

// SendFreezer sends a place's readings as a file.
func SendFreezer(req *site.Request) error {
	out, err := askedPlace(req)
	if err != nil {
		return err
	}
	head := []string{"place", "at", "now_c", "least_c", "most_c", "beyond", "who", "record"}
	return req.SendCSV(out.Name+"-"+out.month.Format("2006-01"), head, func(add func(...string)) error {
		for _, r := range out.Readings {
			add(out.Name, r.At, words.Tenth(r.NowC), tenthOf(r.LeastC), tenthOf(r.MostC), r.Beyond, r.Who, r.Record)
		}
		return nil
	})
}

func tenthOf(v *float64) string {
	if v == nil {
		return ""
	}
	return words.Tenth(*v)
}
