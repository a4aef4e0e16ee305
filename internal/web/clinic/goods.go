package clinic

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Receive takes a delivery and goes to the page that prints its bag numbers.
func Receive(req *site.Request) error {
	f, err := form.New(req, "bags_received", "product", "batch", "expiry", "volume_ml", "count", "place", "igg_cg_per_l", "cost_minor", "delivery", "supplier", "donor")
	if err != nil {
		return err
	}
	f.Submit = words.Say("receive.submit")
	f.Input("batch").Scans = true
	m := map[string]any{"Form": f, "Scan": ""}
	if req.Method == http.MethodPost {
		m["Read"] = scanInto(req, f)
	}
	if saved, err := f.Sent(); err != nil {
		return err
	} else if saved != nil {
		bags, err := req.Made(saved, event.KindBag)
		if err != nil {
			return err
		}
		return req.Redirect("/clinic/labels?" + url.Values{"bag": bags}.Encode())
	}
	return req.Render("receive", words.Say("receive.title"), "clinic", m)
}

// scanInto reads a GS1 code typed or scanned as the batch, and puts its parts
// into their fields.
func scanInto(req *site.Request, f *form.Form) string {
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
	return words.Say("receive.scan", r.Batch, r.Expiry)
}

// labelView is one sticker.
type labelView struct {
	Number, Product, Batch, Expiry, Volume string
	Symbol                                 site.QR
}

// labelsMore is a print of stickers, and on what.
type labelsMore struct {
	Stickers []labelView
	Roll     bool // each is a page of its own
	Papers   []site.Option
	First    string      // the label of the first sheet that is free, from 1
	Used     []struct{}  // those before it
	Carry    []site.Pair // which stickers
}

// perSheet is how many labels a sheet of A4 has room for: three across, nine down.
const perSheet = 27

// begin has a sheet that is partly used begin at its first free label.
func (m *labelsMore) begin(req *site.Request) {
	q := req.URL.Query()
	m.First = cmp.Or(strings.TrimSpace(q.Get("first")), "1")
	switch n, err := strconv.Atoi(m.First); {
	case err != nil || n < 1 || n > perSheet:
		req.Refuse("first", "", words.Say("labels.first_unfit", m.First, perSheet))
		req.Code = http.StatusUnprocessableEntity
	case !m.Roll:
		m.Used = make([]struct{}, n-1)
	}
	for _, name := range []string{"bag", "record"} {
		for _, v := range q[name] {
			m.Carry = append(m.Carry, site.Pair{Name: name, Value: v})
		}
	}
}

// papers leads to the same stickers on a sheet and on a roll.
func papers(q url.Values, roll bool) (out []site.Option) {
	for _, p := range []struct{ word, label string }{{"", words.Say("labels.sheet")}, {"roll", words.Say("labels.roll")}} {
		to := url.Values{"bag": q["bag"], "record": q["record"]}
		if p.word != "" {
			to.Set("paper", p.word)
		}
		out = append(out, site.Option{Value: "/clinic/labels?" + to.Encode(), Label: p.label, Checked: roll == (p.word == "roll")})
	}
	return out
}

// mostStickers is how many bags one print has.
const mostStickers = 500

// Labels prints the numbers of bags, or of all bags of deliveries, as often as it is asked.
func Labels(req *site.Request) error {
	q := req.URL.Query()
	m := &labelsMore{Roll: q.Get("paper") == "roll"}
	m.Papers = papers(q, m.Roll)
	m.begin(req)
	err := req.Read(func(l *query.ReadView) error {
		bags := q["bag"]
		for _, text := range q["record"] {
			of, err := bagsOfDelivery(req, l, text)
			if err != nil {
				return err
			}
			bags = append(bags, of...)
		}
		for _, id := range bags[:min(len(bags), mostStickers)] {
			row, err := stickerOf(l, id)
			if err != nil {
				return err
			}
			m.Stickers = append(m.Stickers, row)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return req.Render("labels", words.Say("labels.title"), "clinic", m)
}

// bagsOfDelivery are the bags that a delivery stands for now.
func bagsOfDelivery(req *site.Request, l *query.ReadView, text string) ([]string, error) {
	rec, err := req.Site.Replica.FindRecord("record", text)
	if err != nil {
		return nil, err
	}
	standing, err := l.Standing(rec)
	if err != nil {
		return nil, err
	}
	if p, ok := standing.Body.(*pb.BagsReceived); ok && !standing.Voided {
		return p.Bags, nil
	}
	return nil, nil
}

// stickerOf is the sticker of one bag.
func stickerOf(l *query.ReadView, id string) (row labelView, err error) {
	number, err := label.ParseBag(id)
	if err != nil {
		return row, err
	}
	row.Number = number.String()
	if row.Symbol, err = site.StickerOf(number); err != nil {
		return row, err
	}
	bag, err := l.Bag(string(number))
	if err == nil && bag != nil && bag.Label != nil {
		row.Product, row.Batch, row.Expiry = l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry
		row.Volume = words.Say("word.ml", bag.Label.VolumeMl)
	}
	return row, err
}

// moveMore is a page that works on the bags of one place.
type moveMore struct {
	Form   *form.Form
	Places []site.Option
	Place  string
	Name   string
	Empty  bool
}

// bagsHere prepares the choice of a place and its bags.
func bagsHere(req *site.Request, f *form.Form, field, usual string) (*moveMore, error) {
	m := &moveMore{Form: f, Place: cmp.Or(req.URL.Query().Get("place"), usual)}
	return m, req.Read(func(l *query.ReadView) error {
		var err error
		if m.Places, err = site.Names(l, event.KindPlace); err != nil {
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
		in := f.Input(field)
		in.Kind = form.KindTicks
		err = l.Bags(ledger.TermPlace(m.Place), func(bag *ledger.BagLine) error {
			if bag.Label != nil {
				in.Options = append(in.Options, site.Option{Value: bag.ID, Label: words.Say("word.bag_line",
					words.BagNumber(bag.ID), l.Name(event.KindProduct, bag.Label.Product), bag.Label.Batch, bag.Label.Expiry, bag.Label.VolumeMl)})
			}
			return nil
		})
		m.Empty = len(in.Options) == 0
		return err
	})
}

// ownPlace is the place that this laptop is with.
func ownPlace(req *site.Request) (own string, err error) {
	err = req.Read(func(l *query.ReadView) error { own, err = req.Site.OwnPlace(l); return err })
	return own, err
}

// Load carries bags from one place to another.
func Load(req *site.Request) error {
	f, err := form.New(req, "bags_moved", "bags", "to_place")
	if err != nil {
		return err
	}
	f.Submit = words.Say("load.submit")
	f.Input("to_place").Label = words.Say("load.to")
	own, err := ownPlace(req)
	if err != nil {
		return err
	}
	m, err := bagsHere(req, f, "bags", "")
	if err != nil {
		return err
	}
	if to := f.Input("to_place"); req.Method == http.MethodGet && own != m.Place {
		to.Keep([]string{own})
	}
	return postOr(req, "load", words.Say("load.title"), f, m, "/clinic/stock")
}

// CountPlace notes what is seen at a place; what is not seen is the difference.
func CountPlace(req *site.Request) error {
	f, err := form.New(req, "place_counted", "bags_seen")
	if err != nil {
		return err
	}
	f.Submit = words.Say("count.submit")
	more := &form.Input{Name: "also", Label: words.Say("count.also"), Hint: words.Say("count.also_hint"), Kind: form.KindBags}
	own, err := ownPlace(req)
	if err != nil {
		return err
	}
	m, err := bagsHere(req, f, "bags_seen", own)
	if err != nil {
		return err
	}
	if m.Place != "" {
		f.Set("place", m.Place)
	}
	if req.Method == http.MethodPost {
		more.Value = req.PostForm.Get("also")
		for _, t := range strings.FieldsFunc(more.Value, func(r rune) bool { return strings.ContainsRune(",; \r\n\t", r) }) {
			req.PostForm.Add("bags_seen", t)
		}
	}
	return postOr(req, "count", words.Say("count.title"), f, map[string]any{"Move": m, "Also": more}, "/clinic/stock?place="+url.QueryEscape(m.Place))
}

// postOr saves a form and goes on, or shows its page.
func postOr(req *site.Request, tmpl, title string, f *form.Form, body any, to string) error {
	if saved, err := f.Sent(); err != nil {
		return err
	} else if saved != nil {
		return req.Redirect(to)
	}
	return req.Render(tmpl, title, "clinic", body)
}
