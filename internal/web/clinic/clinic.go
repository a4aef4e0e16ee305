package clinic

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// bagRow is a bag as lists show it.
type bagRow struct {
	ID, Number, Place, Product, Batch, Expiry, Volume, State, UseBy, Because, Case string
	Bad                                                                            bool
}

func bagRowOf(b *pb.BagRow) bagRow {
	row := bagRow{
		ID: b.Bag, Number: words.BagNumber(b.Bag), Place: b.Place, Product: b.Product, Batch: b.Batch, Expiry: b.Expiry,
		Volume: words.Say("word.ml", b.VolumeMl), State: words.Plain(cmp.Or(strings.Join(b.States, ", "), b.State)), Because: strings.Join(b.Because, "; "), Case: b.ForCase,
	}
	if b.UseBy != "" {
		row.UseBy = words.Moment(words.ParseTime(b.UseBy))
	}
	switch engine.ShelfState(b.State) {
	case engine.ShelfUnfit, engine.ShelfOnHold, engine.ShelfQuarantined, engine.ShelfExpired:
		row.Bad = true
	}
	return row
}

// stockGroup is a part of the stock list with one heading.
type stockGroup struct {
	Title string
	Bags  []bagRow
	More  int    // bags that the stock list shows
	Href  string // where all of them are decided on
}

// clinicMore is the clinic's first page: what asks for somebody's attention.
type clinicMore struct {
	Groups  []stockGroup
	Holds   []batchView
	Due     []site.Due
	Cases   []site.CaseRow
	Devices []site.DeviceRow
	Doubts  int
	Months  []monthRow
	Expiry  site.BarChart
	Fresh   string
	Founded bool
	Hour    *firstHour // what the practice still needs; nil where nothing is told of it
}

type monthRow struct {
	Month string
	Bags  int
}

// soon is how long before its expiry a frozen bag is told of (ours).
const soon = 60 * 24 * time.Hour

// ShowClinic serves the clinic's first page.
func ShowClinic(req *site.Request) error {
	stock, err := req.Site.Stock.ListStock(req.Context(), &pb.ListStockRequest{})
	if err != nil {
		return err
	}
	m := &clinicMore{Fresh: stock.GetFreshness().GetText()}
	if m.Holds, _, err = batches(req, &pb.ListBatchesRequest{Held: true, Limit: site.PageRows}); err != nil {
		return err
	}
	now, err := req.Site.Cases.GetNow(req.Context(), &pb.GetNowRequest{})
	if err != nil {
		return err
	}
	for _, d := range now.Due {
		if d.Case != "" && !strings.HasPrefix(d.What, "vitals") {
			m.Due = append(m.Due, site.DueOf(d, "/case/"+d.Case+"/recheck"))
		}
	}
	places, err := req.Site.Stock.ListPlaces(req.Context(), &pb.ListPlacesRequest{})
	if err != nil {
		return err
	}
	for _, p := range places.Places {
		if p.ReadingOverdue {
			m.Due = append(m.Due, site.DueOf(
				&pb.DueRow{At: p.NextReadingAt, What: words.Say("clinic.reading", p.Name), Overdue: true},
				"/write/temperature_read?place="+p.Place+"&back=/clinic"))
		}
	}
	open, err := req.Site.Cases.ListCases(req.Context(), &pb.ListCasesRequest{Open: true, Limit: site.PageRows})
	if err != nil {
		return err
	}
	m.Cases = site.CaseRows(open.Cases)
	if m.Devices, err = site.Devices(req); err != nil {
		return err
	}
	doubts, err := req.Site.Audit.ListDiscrepancies(req.Context(), &pb.ListDiscrepanciesRequest{Open: true, Limit: 1})
	if err != nil {
		return err
	}
	for _, k := range doubts.OpenKinds {
		m.Doubts += int(k.Count)
	}
	err = req.Read(func(l *query.ReadView) (err error) {
		m.Groups = attention(stock.Bags, l.ClinicNow())
		m.Founded = l.Practice() != nil
		m.Months, err = expiryMonths(l)
		m.Expiry = expiryBars(m.Months)
		return err
	})
	if err != nil {
		return err
	}
	if req.Site.Replica.Hub {
		hour, err := readFirstHour(req)
		if err != nil {
			return err
		}
		if hour.Shows() {
			m.Hour = hour
		}
	}
	return req.Render("clinic", words.Say("clinic.title"), "clinic", m)
}

// attention sorts out the bags that ask for somebody, the gravest first.
func attention(bags []*pb.BagRow, now time.Time) []stockGroup {
	groups := []stockGroup{
		{Title: words.Say("clinic.thawed")}, {Title: words.Say("clinic.held")}, {Title: words.Say("clinic.warm"), Href: "/clinic/warm"}, {Title: words.Say("clinic.unfit")}, {Title: words.Say("clinic.soon")},
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
			groups[i].Bags = append(groups[i].Bags, bagRowOf(b))
		}
	}
	for i := range groups {
		groups[i].Bags, groups[i].More = cut(groups[i].Bags, 0, groupRows)
	}
	return slices.DeleteFunc(groups, func(g stockGroup) bool { return len(g.Bags) == 0 })
}

// Rows that one heading shows: of a group that asks for somebody, of a place
// among others, and of a place alone.
const (
	groupRows = 25
	placeRows = 50
	aloneRows = 200
)

// cut takes n rows of a list from one on, and counts those behind them.
func cut[T any](rows []T, from, n int) (part []T, more int) {
	from = min(max(from, 0), len(rows))
	to := min(from+n, len(rows))
	return rows[from:to], len(rows) - to
}

// setupEvents are what the practice enters about itself.
var setupEvents = []string{
	"practice_founded", "practice_changed", "person_added", "role_granted", "vehicle_added", "place_added", "product_card", "product_coded", "protocol_set", "client_added", "donor_recorded",
	"opening_stock", "bag_found", "label_unreadable", "bag_missing", "bags_lent", "bags_carried", "bag_returned", "temperature_read", "place_warm", "quarantine_decided", "kit_stocked", "kit_used", "kit_counted",
	"mare_due", "bags_ordered", "settings_changed", "price_set", "month_closed", "rights_revoked", "discrepancy_explained", "linked", "unlinked", "corrected", "client_forgotten",
}

// Setup serves the list of what a practice enters about itself.
func Setup(req *site.Request) error {
	var out []site.Pair
	for _, name := range setupEvents {
		if name == "settings_changed" { // each is changed where all of them stand
			out = append(out, site.Pair{Name: "/clinic/settings", Value: words.Say("settings.title")})
			continue
		}
		if name == "price_set" {
			out = append(out, site.Pair{Name: pricesPath, Value: words.Say("prices.title")})
			continue
		}
		if spec := form.SpecOf(name); spec != nil {
			out = append(out, site.Pair{Name: "/write/" + name + "?back=/clinic/setup", Value: spec.Rule.GetShort()})
		}
	}
	return req.Render("setup", words.Say("setup.title"), "clinic", out)
}
