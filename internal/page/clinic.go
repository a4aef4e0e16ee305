package page

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// bagRow is a bag as lists show it.
type bagRow struct {
	ID, Number, Place, Product, Batch, Expiry, Volume, State, UseBy, Because, Case string
	Bad                                                                            bool
}

func bagRows(in []*pb.BagRow) []bagRow {
	var out []bagRow
	for _, b := range in {
		row := bagRow{
			ID: b.Bag, Number: bagText(b.Bag), Place: b.Place, Product: b.Product, Batch: b.Batch, Expiry: b.Expiry,
			Volume: say("word.ml", b.VolumeMl), State: plain(strings.Join(b.States, ", ")), Because: strings.Join(b.Because, "; "), Case: b.ForCase,
		}
		if row.State == "" {
			row.State = plain(b.State)
		}
		if b.UseBy != "" {
			row.UseBy = clockText(timeOf(b.UseBy))
		}
		switch engine.ShelfState(b.State) {
		case engine.ShelfUnfit, engine.ShelfOnHold, engine.ShelfQuarantined, engine.ShelfExpired:
			row.Bad = true
		}
		out = append(out, row)
	}
	return out
}

// stockGroup is a part of the stock list with one heading.
type stockGroup struct {
	Title string
	Bags  []bagRow
	More  int // bags that the stock list shows
}

// clinicMore is the clinic's first page: what asks for somebody's attention.
type clinicMore struct {
	Groups  []stockGroup
	Holds   []batchView
	Due     []dueRow
	Cases   []caseRow
	Devices []deviceRow
	Doubts  int
	Months  []monthRow
	Fresh   string
	Founded bool
}

type monthRow struct {
	Month string
	Bags  int
}

// soon is how long before its expiry a frozen bag is told of (ours).
const soon = 60 * 24 * time.Hour

func showClinic(req *Request) error {
	stock, err := req.Site.Stock.ListStock(req.Context(), &pb.ListStockRequest{})
	if err != nil {
		return err
	}
	m := &clinicMore{Fresh: stock.GetFreshness().GetText()}
	m.Groups = attention(stock.Bags, req.Now)
	if m.Holds, _, err = batches(req, &pb.ListBatchesRequest{Held: true, Limit: partRows}); err != nil {
		return err
	}
	now, err := req.Site.Cases.GetNow(req.Context(), &pb.GetNowRequest{})
	if err != nil {
		return err
	}
	for _, d := range now.Due {
		if d.Case != "" && !strings.HasPrefix(d.What, "vitals") {
			at := timeOf(d.At)
			m.Due = append(m.Due, dueRow{AtMs: at.UnixMilli(), At: clockText(at), What: d.What, Overdue: d.Overdue, Href: "/case/" + d.Case + "/recheck"})
		}
	}
	open, err := req.Site.Cases.ListCases(req.Context(), &pb.ListCasesRequest{Open: true, Limit: partRows})
	if err != nil {
		return err
	}
	m.Cases = caseRows(open.Cases)
	if m.Devices, err = devices(req); err != nil {
		return err
	}
	doubts, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{Open: true, Limit: 1})
	if err != nil {
		return err
	}
	for _, k := range doubts.OpenKinds {
		m.Doubts += int(k.Count)
	}
	err = req.Read(func(l service.Look) error {
		m.Founded = l.Practice() != nil
		months, bags, err := expiryMonths(l)
		for i := range months {
			m.Months = append(m.Months, monthRow{months[i], bags[i]})
		}
		return err
	})
	if err != nil {
		return err
	}
	return req.render("clinic", say("clinic.title"), "clinic", m)
}

// attention sorts out the bags that ask for somebody, the gravest first.
func attention(bags []*pb.BagRow, now time.Time) []stockGroup {
	groups := []stockGroup{
		{Title: say("clinic.thawed")}, {Title: say("clinic.held")}, {Title: say("clinic.warm")}, {Title: say("clinic.unfit")}, {Title: say("clinic.soon")},
	}
	for _, b := range bags {
		i := -1
		switch engine.ShelfState(b.State) {
		case engine.ShelfThawed, engine.ShelfSetAttached:
			i = 0
		case engine.ShelfOnHold:
			i = 1
		case engine.ShelfQuarantined:
			i = 2
		case engine.ShelfUnfit, engine.ShelfExpired:
			i = 3
		default:
			if day, err := label.ParseDay("expiry", b.Expiry); err == nil && day.LastInstant(time.UTC).Sub(now) < soon {
				i = 4
			}
		}
		if 0 <= i && i < len(groups) {
			groups[i].Bags = append(groups[i].Bags, bagRows([]*pb.BagRow{b})...)
		}
	}
	for i := range groups {
		groups[i].Bags, groups[i].More = cut(groups[i].Bags, 0, groupRows)
	}
	return slices.DeleteFunc(groups, func(g stockGroup) bool { return len(g.Bags) == 0 })
}

// Bags that one heading shows: of a group that asks for somebody, of a place
// among others, and of a place alone.
const (
	groupRows = 25
	placeRows = 50
	aloneRows = 200
)

// cut takes n bags of a list from one on, and counts those behind them.
func cut(bags []bagRow, from, n int) (part []bagRow, more int) {
	from = min(max(from, 0), len(bags))
	to := min(from+n, len(bags))
	return bags[from:to], len(bags) - to
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
	case ledger.EndGiven, ledger.EndDiscarded, ledger.EndReturned, ledger.EndLent, ledger.EndKeptBack, ledger.EndMissing:
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
func (p *placeView) cut(req *Request, place string) {
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

func showStock(req *Request) error {
	q := req.URL.Query()
	m := &stockMore{Place: q.Get("place"), All: q.Get("all") != ""}
	ask := &pb.ListStockRequest{Place: m.Place, All: m.All, Limit: partRows}
	if m.All {
		ask.After = req.after()
	}
	stock, err := req.Site.Stock.ListStock(req.Context(), ask)
	if err != nil {
		return err
	}
	m.Fresh, m.Next = stock.GetFreshness().GetText(), req.nextPart(stock.Next)
	shown := slices.DeleteFunc(stock.Bags, func(b *pb.BagRow) bool { return isGone(b.State) != m.All })
	places, err := req.Site.Stock.ListPlaces(req.Context(), &pb.ListPlacesRequest{})
	if err != nil {
		return err
	}
	for _, pl := range places.Places {
		if m.Place != "" && pl.Place != m.Place {
			continue
		}
		view := placeView{ID: pl.Place, Name: pl.Name, Kind: plain(pl.Kind), History: pl.History}
		if pl.NowC != nil {
			view.Temp = say("stock.reading", num(*pl.NowC), clockText(timeOf(pl.LastReadingAt)))
		}
		for _, b := range shown {
			if b.PlaceId == pl.Place {
				view.Bags = append(view.Bags, bagRows([]*pb.BagRow{b})...)
			}
		}
		for _, k := range stock.Kit {
			if k.Place == pl.Name {
				view.Kit = append(view.Kit, plain(k.Item)+" "+fmt.Sprint(k.Count))
			}
		}
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
		m.Places = append(m.Places, placeView{Name: say("stock.nowhere"), Bags: loose})
	}
	return req.render("stock", say("stock.title"), "clinic", m)
}

// receive takes a delivery and goes to the page that prints its bag numbers.
func receive(req *Request) error {
	f, err := req.newForm("bags_received", "product", "batch", "expiry", "volume_ml", "count", "place", "igg_cg_per_l", "cost_minor", "delivery", "supplier", "donor")
	if err != nil {
		return err
	}
	f.Submit = say("receive.submit")
	m := map[string]any{"Form": f, "Scan": ""}
	if req.Method == http.MethodPost {
		m["Read"] = scanInto(req, f)
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			made := out.Made
			if out.RepeatedRequest {
				made, err = bagsOf(req, out.Record)
				if err != nil {
					return err
				}
			}
			return req.redirect("/clinic/labels?" + url.Values{"bag": made}.Encode())
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.render("receive", say("receive.title"), "clinic", m)
}

// scanInto reads a GS1 code typed or scanned as the batch, and puts its parts
// into their fields.
func scanInto(req *Request, f *Form) string {
	text := req.PostForm.Get("batch")
	r := label.Read(text, label.DayOf(req.Now))
	if r.Kind != label.KindGS1 || r.Batch == "" {
		return ""
	}
	req.PostForm.Set("batch", r.Batch)
	if req.PostForm.Get("expiry") == "" && r.Expiry != (label.Day{}) {
		req.PostForm.Set("expiry", r.Expiry.String())
	}
	if req.PostForm.Get("volume_ml") == "" && r.NetML > 0 {
		req.PostForm.Set("volume_ml", fmt.Sprint(r.NetML))
	}
	return say("receive.scan", r.Batch, r.Expiry)
}

// bagsOf lists the bags that a record touches.
func bagsOf(req *Request, record string) ([]string, error) {
	out, err := req.Site.Audit.GetRecord(req.Context(), recordRequest(record))
	if err != nil {
		return nil, err
	}
	var bags []string
	for _, e := range out.Entities {
		if id, ok := strings.CutPrefix(e, "bag/"); ok {
			bags = append(bags, id)
		}
	}
	return bags, nil
}

// labelView is one sticker.
type labelView struct {
	Number, Product, Batch, Expiry, Volume string
	Symbol                                 qrCode
}

// labels prints bag numbers.
func labels(req *Request) error {
	var out []labelView
	err := req.Read(func(l service.Look) error {
		for _, id := range req.URL.Query()["bag"] {
			number, err := label.ParseBag(id)
			if err != nil {
				return err
			}
			row := labelView{Number: number.String()}
			if row.Symbol, err = stickerOf(number); err != nil {
				return err
			}
			bag, err := l.Bag(string(number))
			if err != nil {
				return err
			}
			if bag != nil && bag.Label != nil {
				row.Product, row.Batch, row.Expiry = l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry
				row.Volume = say("word.ml", bag.Label.VolumeMl)
			}
			if out = append(out, row); len(out) >= maxChoices {
				break
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return req.render("labels", say("labels.title"), "clinic", out)
}

// moveMore is a page that works on the bags of one place.
type moveMore struct {
	Form   *Form
	Places []Option
	Place  string
	Name   string
	Empty  bool
}

// bagsHere prepares the choice of a place and its bags.
func bagsHere(req *Request, f *Form, field string) (*moveMore, error) {
	m := &moveMore{Form: f, Place: req.URL.Query().Get("place")}
	return m, req.Read(func(l service.Look) error {
		var err error
		if m.Places, err = names(l, event.KindPlace); err != nil {
			return err
		}
		for i, o := range m.Places {
			if o.Value == m.Place {
				m.Places[i].Checked, m.Name = true, o.Label
			}
		}
		if m.Name == "" {
			m.Place = ""
			return nil
		}
		in := f.input(field)
		in.Kind = kindTicks
		err = l.Bags(ledger.TermPlace(m.Place), func(bag *ledger.BagLine) error {
			if bag.Label != nil {
				in.Options = append(in.Options, Option{Value: bag.ID, Label: say("word.bag_line",
					bagText(bag.ID), l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry, bag.Label.VolumeMl)})
			}
			return nil
		})
		m.Empty = len(in.Options) == 0
		return err
	})
}

// load carries bags from one place to another.
func load(req *Request) error {
	f, err := req.newForm("bags_moved", "bags", "to_place")
	if err != nil {
		return err
	}
	f.Submit = say("load.submit")
	f.input("to_place").Label = say("load.to")
	m, err := bagsHere(req, f, "bags")
	if err != nil {
		return err
	}
	return postOr(req, "load", say("load.title"), f, m, "/clinic/stock")
}

// countPlace notes what is seen at a place; what is not seen is the difference.
func countPlace(req *Request) error {
	f, err := req.newForm("place_counted", "bags_seen")
	if err != nil {
		return err
	}
	f.Submit = say("count.submit")
	more := &Input{Name: "also", Label: say("count.also"), Hint: say("count.also_hint"), Kind: kindBags}
	m, err := bagsHere(req, f, "bags_seen")
	if err != nil {
		return err
	}
	if m.Place != "" {
		f.set("place", m.Place)
	}
	if req.Method == http.MethodPost {
		more.Value = req.PostForm.Get("also")
		for _, t := range strings.FieldsFunc(more.Value, func(r rune) bool { return strings.ContainsRune(",; \r\n\t", r) }) {
			req.PostForm.Add("bags_seen", t)
		}
	}
	return postOr(req, "count", say("count.title"), f, map[string]any{"Move": m, "Also": more}, "/clinic/stock?place="+url.QueryEscape(m.Place))
}

// postOr saves a form and goes on, or shows its page.
func postOr(req *Request, tmpl, title string, f *Form, body any, to string) error {
	if req.Method == http.MethodPost {
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			return req.redirect(to)
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.render(tmpl, title, "clinic", body)
}

// setupEvents are what the practice enters about itself.
var setupEvents = []string{
	"practice_founded", "person_added", "role_granted", "vehicle_added", "place_added", "product_card", "protocol_set", "client_added", "donor_recorded",
	"opening_stock", "bag_found", "bag_missing", "bags_lent", "bag_returned", "temperature_read", "place_warm", "quarantine_decided", "kit_stocked", "kit_used", "kit_counted",
	"settings_changed", "rights_revoked", "discrepancy_explained", "linked", "unlinked", "corrected", "client_forgotten",
}

func setup(req *Request) error {
	var out []Pair
	for _, name := range setupEvents {
		if spec := specOf(name); spec != nil {
			out = append(out, Pair{"/write/" + name + "?back=/clinic/setup", spec.Rule.GetShort()})
		}
	}
	return req.render("setup", say("setup.title"), "clinic", out)
}
