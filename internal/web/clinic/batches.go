package clinic

import (
	"net/http"
	"strings"

	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// batchView is a batch with its holds and who has heard.
type batchView struct {
	Product, Batch string
	Held           bool
	InStock        int
	Holds          []holdView
}

type holdView struct {
	Record, Kind, At, Reason, Who, Telephone string
	Released                                 bool
	Heard                                    []string
	NotHeard                                 []string
}

// batches lists batches with, for each hold, which laptops have heard of it; next
// is where to go on.
func batches(req *site.Request, ask *pb.ListBatchesRequest) (rows []batchView, next string, err error) {
	out, err := req.Site.Stock.ListBatches(req.Context(), ask)
	if err != nil {
		return nil, "", err
	}
	devices, err := site.Devices(req)
	if err != nil {
		return nil, "", err
	}
	for _, b := range out.Batches {
		row := batchView{Product: b.Product, Batch: b.Batch, Held: b.Held, InStock: int(b.BagsInStock)}
		for _, h := range b.Holds {
			row.Holds = append(row.Holds, heardBy(h, devices))
		}
		rows = append(rows, row)
	}
	return rows, out.Next, nil
}

// Title is the kind of a hold, and that it was released.
func (h holdView) Title() string {
	if h.Released {
		return words.Say("word.released", h.Kind)
	}
	return h.Kind
}

// HeardBy lists the laptops that have heard of a hold, and Unheard those that have not.
func (h holdView) HeardBy() string { return strings.Join(h.Heard, "; ") }

// Unheard lists the laptops that have not heard of a hold.
func (h holdView) Unheard() string { return strings.Join(h.NotHeard, "; ") }

func heardBy(h *pb.HoldRow, devices []site.DeviceRow) holdView {
	view := holdView{Record: h.Record, Kind: h.Kind, At: words.Moment(words.ParseTime(h.At)), Reason: h.Reason, Who: h.Who, Telephone: h.SupportTelephone, Released: h.Released}
	heard := map[string]bool{}
	for _, x := range h.Heard {
		view.Heard = append(view.Heard, x.Device+" "+words.Moment(words.ParseTime(x.At)))
		heard[strings.TrimSuffix(x.Device, " (placed it)")] = true
	}
	for _, d := range devices {
		if !heard[d.Name] && !d.ShutOut {
			view.NotHeard = append(view.NotHeard, words.Say("batches.last_heard", d.Name, d.LastHeard))
		}
	}
	return view
}

// ListBatches serves the batches, all or those on hold.
func ListBatches(req *site.Request) error {
	rows, next, err := batches(req, &pb.ListBatchesRequest{Held: req.URL.Query().Get("held") != "", Limit: site.PageRows, After: req.After()})
	if err != nil {
		return err
	}
	return req.Render("batches", words.Say("batches.title"), "clinic", map[string]any{"Rows": rows, "Next": req.NextPart(next)})
}

// ShowBatch traces one batch: every bag of it and where it went.
func ShowBatch(req *site.Request) error {
	product, code := req.URL.Query().Get("product"), req.URL.Query().Get("batch")
	found, _, err := batches(req, &pb.ListBatchesRequest{Product: product, Batch: code})
	if err != nil {
		return err
	}
	if len(found) == 0 {
		return site.ErrNotFound
	}
	stock, err := req.Site.Stock.ListStock(req.Context(), &pb.ListStockRequest{All: true, Product: product, Batch: code})
	if err != nil {
		return err
	}
	var bags []traceRow
	err = req.Read(func(l *query.ReadView) error {
		for _, b := range stock.Bags {
			row, err := traceOf(l, b)
			if err != nil {
				return err
			}
			bags = append(bags, row)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return req.Render("batch", words.Say("batch.heading", code), "clinic", map[string]any{"Batch": found[0], "Bags": bags, "Fresh": stock.GetFreshness().GetText()})
}

// traceRow is where a bag of a batch is, or into whom it went.
type traceRow struct {
	bagRow
	Given []string // patient and mL
}

func traceOf(l *query.ReadView, b *pb.BagRow) (traceRow, error) {
	row := traceRow{bagRow: bagRowOf(b)}
	bag, err := l.Bag(b.Bag)
	if err != nil || bag == nil {
		return row, err
	}
	given, err := l.GivenOf(bag)
	for _, g := range given {
		who := words.Say("batch.case", g.Case)
		if c, err := l.Case(g.Case); err != nil {
			return row, err
		} else if c != nil {
			who = l.Patient(c)
		}
		row.Given = append(row.Given, words.Say("batch.given", who, words.Say("word.ml", g.Ml)))
	}
	return row, err
}

// HoldBatch puts a batch on hold, recalls it, or ends one named hold.
func HoldBatch(req *site.Request) error {
	name, title, fields := "batch_held", words.Say("hold.hold"), []string{"product", "batch", "reason", "maker_reference"}
	q := req.URL.Query()
	switch q.Get("do") {
	case "recall":
		name, title, fields = "batch_recalled", words.Say("hold.recall"), []string{"product", "batch", "donor", "reason", "maker_reference"}
	case "release":
		name, title, fields = "batch_released", words.Say("hold.release"), []string{"product", "batch", "hold", "reason"}
	}
	f, err := form.New(req, name, fields...)
	if err != nil {
		return err
	}
	f.Submit = title
	for _, in := range f.Inputs {
		if text := q.Get(in.Name); text != "" && req.Method == http.MethodGet {
			in.Keep([]string{text})
			for i, o := range in.Options {
				in.Options[i].Checked = in.Options[i].Checked || o.Label == text
			}
		}
	}
	return postOr(req, "hold", title, f, map[string]any{"Form": f, "Release": name == "batch_released"}, "/clinic/batches?held=1")
}
